"""
A case file, with the fabrication data, variants and sweeps it names, to complete Cases; mistakes named by key.

Others import: devices, difference, found_routes, read, source, supplied, toml_text, variants.
"""
