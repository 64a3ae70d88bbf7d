"""
Where steady current flows in copper: bounds from both sides, on a mesh refined until they are close.

Others import: conduction, conductors, expected, factor_threads, foil, linear, links, paths, refinement, solution,
spaces, spreading, streams, topology.
"""
