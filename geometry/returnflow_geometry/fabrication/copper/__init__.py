"""
What is joined to what, and the part of it that given pins' currents use.

Others import: connectivity, extract, merged, pins, stack.
"""
