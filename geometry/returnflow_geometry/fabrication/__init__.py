"""
Fabrication data: the files a board is made from, read into copper, holes, pins and nets.

Others import: base.objects, board_data.assemble, board_data.candidates, board_data.starter, board_data.summary,
copper.connectivity, copper.contacts, copper.extract, copper.merged, copper.pins, copper.slots, copper.stack,
copper.touching, copper.ways.
"""
