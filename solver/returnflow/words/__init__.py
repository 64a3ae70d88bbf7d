"""
Facts in plain words and tables, each worded in one place for terminal and report.

Others import: answer_text, comparison, device_table, drives, enclosure_table, first_look, link_rows, radiation_table,
result_tables, study_tables, supply_tables, table, terminal, variant_text.
"""
