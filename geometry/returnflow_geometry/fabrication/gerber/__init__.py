"""
Gerber images to areas per net, pads and strokes.

Others import: image.
"""
