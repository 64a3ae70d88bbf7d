"""Netlists and job files."""
