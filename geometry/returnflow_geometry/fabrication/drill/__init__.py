"""Drill files to holes and slots."""
