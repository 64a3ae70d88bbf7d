"""
Copper to graded triangles whose boundaries know what they are.

Others import: halving, mesher, seeding, spare, triangulation, union.
"""
