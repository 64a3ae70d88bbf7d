"""
Netlists and job files.

Others import: jobfile, netlist, parts_list, placement.
"""
