"""Fabrication data: the files a board is made from, read into copper, holes, pins and nets."""
