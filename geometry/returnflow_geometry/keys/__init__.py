"""
What the keys of a case file are, and how the value of each is read.

Others import: changes, currents, drawn_shapes, link_table, outgoing, quantities, reading, schema.
"""
