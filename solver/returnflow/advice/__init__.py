"""
What to do about it: options, trials, the decision for every limit, layout findings; Study holds all.

Others import: decision, findings, option, recommendation, study.
"""
