"""The map of the rooms is what the rooms are, and README names every key."""

import pytest

import house
from returnflow_geometry.casefile import reader
from returnflow_geometry.keys import drawn_shapes, quantities, schema

SMALL = {
    "DEVELOPERS.md": f"# Map\n{house.BEGIN}{house.END}The end.\n",
    "pyproject.toml": """[[tool.importlinter.contracts]]
layers = ["returnflow", "returnflow_geometry"]
[[tool.importlinter.contracts]]
containers = ["returnflow"]
layers = ["upper", "lower"]
""",
    "geometry/returnflow_geometry/__init__.py": '"""What is."""\n',
    "solver/returnflow/__init__.py": '"""What it does."""\nfrom returnflow.upper import roof\n',
    "solver/returnflow/upper/__init__.py": '"""The upper room."""\n',
    "solver/returnflow/upper/roof.py": '"""Roof."""\nfrom returnflow.lower.beam import carry\n',
    "solver/returnflow/lower/__init__.py": '"""\nThe lower room.\n\nMore of it.\n"""\nKEPT = 1\n',
    "solver/returnflow/lower/beam.py": '"""Beam."""\n\ndef carry(): ...\n',
    "solver/returnflow/lower/floor.py": '"""Floor."""\n',
}


def put(root, name, text):
    path = root / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")


@pytest.fixture
def small(tmp_path):
    """A house of two rooms whose map is current."""
    for name, text in SMALL.items():
        put(tmp_path, name, text)
    for path, text in house.wanted(tmp_path).items():
        path.write_text(text, encoding="utf-8")
    return tmp_path


def test_the_map_and_what_rooms_share_are_current():
    # Mended by `python tests/house.py`.
    assert house.stale() == []


def test_every_module_is_on_the_map_with_a_sentence_of_its_own():
    modules = house.modules()
    assert all(module.sentence.endswith(".") for module in modules.values())
    assert len({module.sentence for module in modules.values()}) == len(modules)
    # A title is indented by four and two more for every room it lies in.
    lines = house.map_of(modules).splitlines()
    titles = [line.split()[0].rstrip("/").rpartition("/")[2] for line in lines if line[4 : house.COLUMN].strip()]
    assert titles == [name.rpartition(".")[2] for name in modules]
    assert len(titles) > 100


def test_no_room_imports_from_one_above_it_on_the_map():
    # Import-linter holds it too; here the order in which the map shows them is tried.
    modules = house.modules()
    rooms = [name for name, module in modules.items() if module.is_room and name.count(".") == 1]
    for name, module in modules.items():
        for other in module.imports(set(modules)):
            mine, theirs = (".".join(each.split(".")[:2]) for each in (name, other))
            if mine in rooms and theirs in rooms:
                assert rooms.index(mine) <= rooms.index(theirs)


def test_every_module_and_every_test_file_stays_under_400_lines():
    files = [path for folder in ("solver", "geometry", "tests") for path in (house.ROOT / folder).rglob("*.py")]
    assert len(files) > 300
    assert {path.name: count for path in files if (count := len(path.read_text("utf-8").splitlines())) > 400} == {}


class TestSmall:
    LOWER = "solver/returnflow/lower"

    def read(self, root, name):
        return (root / name).read_text(encoding="utf-8")

    def test_what_is_written(self, small):
        assert house.stale(small) == []
        assert self.read(small, f"{self.LOWER}/__init__.py") == (
            '"""\nThe lower room.\n\nMore of it.\n\nOthers import: beam.\n"""\nKEPT = 1\n'
        )
        assert self.read(small, "solver/returnflow/upper/__init__.py").endswith('\n\nOthers import: roof.\n"""\n')
        lines = [line.split() for line in self.read(small, "DEVELOPERS.md").splitlines()]
        assert lines == [
            ["#", "Map"],
            house.BEGIN.split(),
            [],
            ["solver/returnflow/", "What", "it", "does."],
            ["upper/", "The", "upper", "room."],
            ["roof", "Roof."],
            ["lower/", "The", "lower", "room."],
            ["beam", "Beam."],
            ["floor", "Floor."],
            ["geometry/returnflow_geometry/", "What", "is."],
            [],
            house.END.split(),
            ["The", "end."],
        ]

    def test_a_new_module(self, small):
        put(small, f"{self.LOWER}/new.py", '"""Something new."""\n')
        assert house.stale(small) == [small / "DEVELOPERS.md"]

    def test_a_module_that_says_something_else_of_itself(self, small):
        put(small, f"{self.LOWER}/floor.py", '"""Boards."""\n')
        assert house.stale(small) == [small / "DEVELOPERS.md"]

    @pytest.mark.parametrize(
        "line",
        [
            "from returnflow.lower import floor",
            "from returnflow.lower.floor import anything",
            "import returnflow.lower.floor as f",
            "def late():\n    from returnflow.lower import floor",
        ],
    )
    def test_an_import_across_rooms(self, small, line):
        with (small / "solver/returnflow/upper/roof.py").open("a", encoding="utf-8") as file:
            file.write(line + "\n")
        assert house.given(house.modules(small))["returnflow.lower"] == ["beam", "floor"]
        assert house.stale(small) == [small / self.LOWER / "__init__.py"]

    def test_an_import_within_a_room_is_its_own_affair(self, small):
        put(small, f"{self.LOWER}/beam.py", '"""Beam."""\nfrom returnflow.lower import floor\n')
        assert house.stale(small) == []

    def test_a_room_that_nobody_needs_any_more(self, small):
        put(small, "solver/returnflow/upper/roof.py", '"""Roof."""\n')
        assert house.stale(small) == [small / self.LOWER / "__init__.py"]
        assert house.NOBODY in house.wanted(small)[small / self.LOWER / "__init__.py"]

    def test_a_list_that_was_edited_by_hand(self, small):
        text = self.read(small, f"{self.LOWER}/__init__.py")
        put(small, f"{self.LOWER}/__init__.py", text.replace("import: ", "import: abacus, "))
        assert house.wanted(small)[small / self.LOWER / "__init__.py"] == text
        assert house.stale(small) == [small / self.LOWER / "__init__.py"]

    def test_a_document_without_marks(self, small):
        put(small, "DEVELOPERS.md", "# Map\n")
        with pytest.raises(ValueError, match="must be there"):
            house.stale(small)


def keys():
    """Every key that a case file may hold, with the table it stands in."""
    tables = {
        **schema.SINGLE,
        **schema.INLINE,
        **schema.KEYS,
        **schema.ROLE_KEYS,
        "vary": quantities.KEYS,
        "": reader.TOP,
    }
    shapes = {name: these for name, (these, _) in drawn_shapes.SHAPES.items()}
    return [(table, key) for table, these in [*tables.items(), *shapes.items()] for key in these]


def named(text, key):
    """Whether a text names a key in code marks."""
    spans = text.split("`")[1::2]
    return any(key in "".join(c if c.isalnum() or c == "_" else " " for c in span).split() for span in spans)


@pytest.mark.parametrize(("table", "key"), keys())
def test_readme_names_every_key(table, key):
    text = (house.ROOT / "README.md").read_text(encoding="utf-8").partition("## The case file")[2].partition("\n## ")[0]
    rows = [line for line in text.splitlines() if line.startswith((f"| `[[{table}]]`", f"| `[{table}]`"))]
    assert named("\n".join(rows) or text, key), f"README does not name {key} of {table}"


def test_a_key_that_is_only_part_of_a_word_is_not_named():
    assert named("`current_A` flows", "current_A")
    assert not named("`current_A` flows", "current")
    assert not named("current flows in `x`", "current")
