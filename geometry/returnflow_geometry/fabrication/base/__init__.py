"""
What readers of fabrication files share: plain data, limits on what is untrusted, areas, outlines.

Others import: archive, budget, crowding, curves, objects, outline, painting.
"""
