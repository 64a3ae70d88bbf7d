"""
All files of one board put together, described in words, and a starter case.

Others import: assemble, candidates, starter, summary.
"""
