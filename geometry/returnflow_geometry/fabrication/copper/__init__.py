"""
What is joined to what, and the part of it that given pins' currents use.

Others import: connectivity, contacts, extract, merged, pins, slots, stack, touching, ways.
"""
