"""DXF hand drawings to areas per layer."""
