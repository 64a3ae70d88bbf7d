"""The table of ground pins: shares of each device add up to its current."""

import solved
from returnflow.words.device_table import devices_table
from returnflow.words.terminal import summary_table

STRIP = """format = 1
title = "device"
[board]
outline = { rect = [0, 0, 100, 10] }
temperature_C = 25
[[layer]]
name = "L1"
copper_um = 35
[[copper]]
name = "ground"
layer = "L1"
[[terminal]]
name = "supply"
copper = "ground"
shape = { rect = [70, 0, 71, 10] }
[[terminal]]
name = "U1.4"
copper = "ground"
shape = { rect = [40, 0, 41, 10] }
[[terminal]]
name = "U1.5"
copper = "ground"
shape = { rect = [80, 0, 81, 10] }
"""
DEVICE = '[[device]]\nname = "U1"\nground = ["U1.4", "U1.5"]\nreturn = "supply"\nsupply_A = 0.2\n'
LOOP = '[[loop]]\nname = "U1"\nrole = "noisy"\ninject = "U1.4"\nreturn = "supply"\ncurrent_A = 0.2\n'


def test_each_pin_has_the_share_of_its_way_and_all_add_up():
    study = solved.study(STRIP + DEVICE, "as drawn")
    table = devices_table(study["as drawn"])
    # Strips of 29 and 9 mm side by side: 9/38 and 29/38.
    assert [tuple(row) for row in table.rows] == [("U1", "U1.5", "76.3 %"), ("U1", "U1.4", "23.7 %")]
    assert "What each ground pin of a device carries" in summary_table(study)


def test_a_case_without_devices_has_no_such_table():
    assert devices_table(solved.study(STRIP + LOOP, "as drawn")["as drawn"]) is None
