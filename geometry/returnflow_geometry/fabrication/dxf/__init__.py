"""
DXF hand drawings to areas per layer.

Others import: drawing_file.
"""
