"""Where steady current flows in copper: bounds from both sides, on a mesh refined until they are close."""
