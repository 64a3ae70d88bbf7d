"""Mistakes in cases that name fabrication data, and whatever their tables hold."""

import contextlib
import functools
import random
import shutil
import tomllib

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from test_source_cases import HEAD, LOOPS, STRAP, as_they_are, mistakes, read

import returnflow as rf
from cases import EXAMPLES
from fabwriter import demo_board, write_gerber_set, write_ipc2581
from returnflow_geometry.casefile import source


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("board")
    write_gerber_set(demo_board(), place / "fab")
    write_ipc2581(demo_board(), place / "board.xml")
    return place


@pytest.fixture(autouse=True)
def unchanged_files_are_read_once(monkeypatch):
    monkeypatch.setattr(source, "from_fabrication", as_they_are)


class TestMistakes:
    def test_unknown_pins_are_all_named_with_the_nearest(self, folder):
        text = HEAD + LOOPS.replace("U3.17", "U3.71").replace("J1.3", "J1.33")
        found = mistakes(folder, text)
        assert len(found) == 2
        assert '"U3.17"' in found[0]
        assert '"J1.3"' in found[1]

    def test_other_mistakes_of_the_file_are_said_with_them(self, folder):
        text = HEAD + LOOPS.replace("U3.17", "U3.71").replace("current_A = 1", "current_A = -1")
        found = mistakes(folder, text)
        assert len(found) == 2
        assert any("current_A" in line for line in found)

    @pytest.mark.parametrize(
        ("change", "said"),
        [
            (("fab", "nowhere"), "no such folder"),
            (('"fab"', "7"), "source is 7"),
            (("[board]", '[[layer]]\nname = "L9"\ncopper_um = 35\n[board]'), "not a layer of the source"),
            (("temperature_C", "plating_um = 0\ntemperature_C"), "plating_um"),
            (("temperature_C", "plating_um = 1e5\ntemperature_C"), "plating_um is 100000.0; must be"),
            (('"fab"', '"fa\\nb"'), "must be one line of printable text"),
            (('"fab"', '" "'), "source is"),
            (("[board]", 'source_layers = { "x.gbr" = "L1" }\n[board]'), "x.gbr: is named in the case's table"),
            (("[board]", "source_layers = 3\n[board]"), "source_layers is 3; must give each file its role"),
            (
                ('"fab"', '"board.xml"\nsource_layers = { "x.gbr" = "L1" }'),
                "names its layers itself",
            ),
            (("[board]", '[[layer]]\nname = "L2"\n[[layer]]\nname = "L2"\n[board]'), '"L2" is given again'),
            (("[board]", "[[layer]]\ncopper_um = 70\n[board]"), "layer number 1 has no name that can be used"),
            (("[board]", '[layer]\nname = "L2"\n[board]'), "layer is not a list of tables"),
        ],
    )
    def test_each_is_one_message(self, folder, change, said):
        found = mistakes(folder, HEAD.replace(*change) + LOOPS)
        assert len(found) == 1
        assert said in found[0]

    @pytest.mark.parametrize(
        ("more", "said"),
        [
            ('[[region]]\nname = "r"\ncopper = "VCC on L3"\nshape = { rect = [1, 1, 9, 9] }', "no loop reaches that"),
            ('[[region]]\nname = "r"\ncopper = "GND"\nshape = { rect = [1, 1, 9, 9] }', "no copper has that name"),
            ('[[region]]\nname = "r"\ncopper = ["GND on L2"]\nshape = { rect = [1, 1, 9, 9] }', "must be the name of"),
            ('[[terminal]]\nname = "t"\ncopper = "VCC on L3"\nat = [20, 20]\ndiameter_mm = 1', 'terminal "t" at (20'),
            ('[[terminal]]\nname = "J9.1"\nbonded = "why"', 'pin "J9.1": the files have no pin of that name'),
            (
                '[[variant]]\nname = "v"\nset = { "board.plating_um" = 10 }',
                'variant "v": set "board.plating_um" cannot',
            ),
            (
                '[[sweep]]\nname = "s"\nvary = [{ set = "board.simplify_um", values = [1, 2] }]',
                'sweep "s": set "board.simplify_um" cannot vary',
            ),
        ],
    )
    def test_each_thing_on_imported_copper_is_one_message(self, folder, more, said):
        found = mistakes(folder, f"{HEAD}{LOOPS}\n{more}\n")
        assert len(found) == 1
        assert said in found[0]

    def test_what_can_be_read_without_the_source_is_read(self, folder):
        text = HEAD.replace('"fab"', '"nowhere"') + LOOPS
        text += '[[terminal]]\nname = "t"\ncopper = "GND on L2"\nat = [20, 20]\ndiameter_mm = -1\n'
        text += '[[copper]]\nname = "own"\nlayer = "L1"\nshape = { rect = [1, 1, 9] }\n'
        text += '[[terminal]]\nname = "J1.3"\nbonded = "shield"\n'
        found = mistakes(folder, text)
        assert len(found) == 3
        assert found[0].startswith("source: nowhere: no such folder")
        assert any('terminal "t": diameter_mm' in line for line in found)
        assert any('copper "own": shape' in line for line in found)

    @pytest.mark.parametrize("key", ["plating_um = 20", "simplify_um = 5"])
    def test_without_a_source_there_is_nothing_to_read_so(self, key):
        text = (EXAMPLES / "strip_with_slot.toml").read_text(encoding="utf-8")
        with pytest.raises(rf.CaseError, match=f"{key[:8]}.* is given without a source") as caught:
            rf.parse_case(text.replace("[board]", f"[board]\n{key}"))
        assert len(caught.value.mistakes) == 1
        with pytest.raises(rf.CaseError, match="source_layers is given without a source"):
            rf.parse_case('source_layers = { "a.gbr" = "L1" }\n' + text)

    def test_copper_that_no_loop_reaches_may_be_drawn(self, folder):
        drawn = '\n[[copper]]\nname = "VCC on L3"\nlayer = "L3"\nshape = { rect = [1, 1, 9, 9] }\n'
        region = '[[region]]\nname = "r"\ncopper = "VCC on L3"\nshape = { rect = [1, 1, 9, 9] }\n'
        assert read(folder, HEAD + LOOPS + drawn + region).regions[0].copper == "VCC on L3"

    def test_a_bond_of_a_pin_that_no_loop_ends_on_plays_no_part(self, folder):
        case = read(folder, HEAD + LOOPS + '\n[[terminal]]\nname = "J4.1"\nbonded = "why"\n')
        assert 'Terminal "J4.1": no loop ends there, so its bond has no effect.' in case.assumptions
        assert "J4.1" not in {terminal.name for terminal in case.board.terminals}

    def test_no_loops_yet_is_one_message(self, folder):
        found = mistakes(folder, HEAD)
        assert len(found) == 1
        assert "none names a pin" in found[0]

    def test_a_file_that_is_broken(self, folder, tmp_path):
        shutil.copytree(folder / "fab", tmp_path / "fab")
        for path in (tmp_path / "fab").glob("*L2*"):
            path.write_text("G04 nothing here*\n%FSLAX46Y46*%\nX1Y1D99*\nM02*\n", encoding="utf-8")
        found = mistakes(tmp_path, HEAD + LOOPS)
        assert found
        assert "Traceback" not in "\n".join(found)

    def test_a_text_without_a_folder(self):
        with pytest.raises(rf.CaseError, match="text alone has no folder"):
            rf.parse_case(HEAD + LOOPS)

    @settings(deadline=None, max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(st.data())
    def test_any_change_of_the_case_is_refused_or_read(self, folder, data):
        text = HEAD + LOOPS
        at = data.draw(st.integers(0, len(text) - 1))
        gone = data.draw(st.integers(0, 12))
        put = data.draw(st.text(alphabet='[]{}="\n.abU3 17', max_size=6))
        # Anything but a CaseError is a traceback.
        with contextlib.suppress(rf.CaseError):
            assert read(folder, text[:at] + put + text[at + gone :]).loops


WEIRD = [
    [],
    {},
    -1,
    True,
    "",
    "U3.17",
    "GND on L2",
    "a\nb",
    [["a"]],
    [{}],
    {"name": "L2"},
    1e300,
    float("nan"),
    10**400,
]
EVERY = f"""{HEAD}plating_um = 20
simplify_um = 5
{LOOPS}
{STRAP.replace("18, 8, 20, 11.5", "20, 29, 24, 33")}
[[layer]]
name = "L2"
copper_um = 70

[[terminal]]
name = "J1.3"
bonded = "shield"

[[terminal]]
name = "probe"
copper = "GND on L2"
at = [30, 10]
diameter_mm = 1

[[link]]
name = "wire"
between = ["probe", "U2.9"]
resistance_ohm = 1

[[variant]]
name = "v"
drop = ["wire"]
move = {{ "strap" = [30, 31] }}
set = {{ "cell.inject" = "U2.9", "strap.copper" = "AGND on L2" }}
add = {{ terminal = [{{ name = "further", copper = "GND on L2", at = [30, 15], diameter_mm = 1 }}] }}

[[sweep]]
name = "w"
vary = [
    {{ set = "strap.shape.rect.4", values = [33, 34] }},
    {{ move = "probe", along = [[30, 10], [31, 10]], steps = 2 }},
]
"""


def ways(value, way=()):
    """Ways to all parts of a case."""
    yield from [way] if way else []
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, item in items:
        yield from ways(item, (*way, key))


class TestAnyTable:
    def test_the_case_itself_is_read(self, folder):
        assert read(folder, EVERY).variants

    def test_any_part_of_any_kind_is_refused_or_read(self, folder, monkeypatch):
        draw = random.Random(5231)
        loads, every = tomllib.loads, list(ways(tomllib.loads(EVERY)))
        refused = []
        # The board is the same: it is read once for each way in which a case names its files.
        boards, import_ = {}, source.from_fabrication

        def imported(path, limits, *, table):
            key = repr((path, table))
            boards[key] = boards.get(key) or import_(path, limits, table=table)
            return boards[key]

        monkeypatch.setattr(source, "from_fabrication", imported)
        read(folder, EVERY)  # the file is there, and only what is in it is odd
        for _ in range(60):
            own = loads(EVERY)
            *way, last = draw.choice(every)
            place = functools.reduce(lambda value, key: value[key], way, own)
            place[last] = draw.choice(WEIRD)
            monkeypatch.setattr(tomllib, "loads", lambda _, own=own: own)
            try:
                rf.read_case(folder / "case.toml")
            except rf.CaseError as error:
                refused.append(error)
        assert len(refused) > 40
        assert not any("\n" in mistake for error in refused for mistake in error.mistakes)
