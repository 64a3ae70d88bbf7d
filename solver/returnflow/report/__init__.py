"""
What is left behind: the report, result.json and the files, complete or not at all.

Others import: files, kept, page, record.
"""
