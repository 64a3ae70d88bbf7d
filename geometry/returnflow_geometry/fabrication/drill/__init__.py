"""
Drill files to holes and slots.

Others import: program.
"""
