"""
A page on which the current follows the hand: its mathematics, its data, and its scripts.

Others import: desk, page, picking_page, server, widget.
"""
