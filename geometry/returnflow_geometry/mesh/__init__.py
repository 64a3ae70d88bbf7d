"""
Copper to graded triangles whose boundaries know what they are.

Others import: halving, mesher, seeding, sizes, spare, triangulation, union.
"""
