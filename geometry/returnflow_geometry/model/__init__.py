"""
What a board is made of: layers, coppers, terminals, links, loops and shapes, in SI units; how values are spelt.

Others import: board, currents, files, groups, lessons, material, numbers, outgoing, overlay, radiation, shapes,
wording.
"""
