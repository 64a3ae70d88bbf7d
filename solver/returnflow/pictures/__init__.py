"""
Pictures of copper, currents and figures, and the fields for other viewers.

Others import: jobs, lettering, picture, pictured, plots, vtu.
"""
