"""
Copper to graded triangles whose boundaries know what they are.

Others import: mesher, seeding, spare, union.
"""
