"""
IPC-2581 files to layers, copper, pins and holes.

Others import: document.
"""
