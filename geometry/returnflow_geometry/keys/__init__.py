"""
What the keys of a case file are, and how the value of each is read.

Others import: auto_route, changes, currents, device_keys, drawn_shapes, lessons, link_table, outgoing, quantities,
radiation_table, reading, schema.
"""
