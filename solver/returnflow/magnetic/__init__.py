"""
What induction adds from DC to a gigahertz: outgoing conductors, sheet currents, one reduced model for all of it.

Others import: barrels, broadband, charged, dielectric, link_changes, meshing, one_mesh, reduction, routes, solving,
traces, two_meshes, unseen.
"""
