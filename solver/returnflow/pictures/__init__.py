"""Pictures of copper, currents and figures, and the fields for other viewers."""
