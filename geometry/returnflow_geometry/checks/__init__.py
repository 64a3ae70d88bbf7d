"""
Whether what is drawn can mean something: places, joins, gaps, and what keeps two pieces of copper apart.

Others import: case_checks, coherence, gaps, plausible.
"""
