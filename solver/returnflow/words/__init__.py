"""Facts in plain words and tables, each worded in one place for terminal and report."""
