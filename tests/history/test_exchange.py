"""Export and import: the same bytes back, or line numbers and nothing taken."""

import io
import json
import os
import sqlite3
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from sensord.care.chicks import Crop
from sensord.care.plausible import CHICK_NAME, POSSIBLE
from sensord.errors import DataError, StorageError
from sensord.history.columns import TABLES
from sensord.history.database import open_reader, open_writer, transaction
from sensord.history.exchange import export_csv, export_jsonl, import_file, impossible_rows
from sensord.history.migrations import migrate
from sensord.readings import FaultKind
from sensord.texts import plain_text
from sensord.watch.command_table import COMMANDS
from sensord.watch.conditions import Condition
from sensord.watch.effects import AlarmState, DishState, Note
from sensord.watch.events import Origin

TEXT = st.text(st.characters(codec="utf-8", exclude_characters="\x00"), max_size=12).map(plain_text)
MS = st.integers(0, 4_000_000_000_000)
WORDS: dict[str, Iterable[str]] = {
    "crop": Crop, "fault": FaultKind, "origin": Origin, "condition": Condition, "state": AlarmState,
         "previous": DishState, "what": Note, "verb": COMMANDS, "priority": ("low", "medium", "high")}  # fmt: skip


def column(name: str, optional: bool) -> st.SearchStrategy[Any]:
    if name in ("hatched", "gone"):
        kind: st.SearchStrategy[Any] = st.dates().map(lambda day: day.isoformat())
    elif name == "held_ms":
        kind = st.integers(0, 60_000)
    elif name.endswith("_ms"):
        kind = MS
    elif name in ("sure", "done", "pinned"):
        kind = st.integers(0, 1)
    elif name in POSSIBLE:
        kind = st.floats(*POSSIBLE[name])
    elif name in ("low", "mean", "high", "milli"):
        kind = st.integers(-100_000, 200_000)
    elif name in ("count", "faults"):
        kind = st.integers(0, 10**9)
    elif name == "id":
        kind = st.integers(1, 10**12)
    elif name == "at_s":
        kind = st.integers(0, 4_000_000_000)
    elif name in ("before", "after"):
        kind = st.sampled_from(["{}", '{"left": 34.5}'])
    elif name in WORDS:
        kind = st.sampled_from([str(word) for word in WORDS[name]])
    elif name == "name":
        kind = st.from_regex(CHICK_NAME, fullmatch=True)
    else:
        kind = TEXT.filter(bool) if optional else TEXT
    return st.one_of(st.none(), kind) if optional else kind


@st.composite
def filled(draw: st.DrawFn) -> dict[str, list[dict[str, Any]]]:
    rows: dict[str, list[dict[str, Any]]] = {}
    for table in TABLES.values():
        names = [(c.stored.split(".")[0], c.optional) for c in table.columns]
        many = draw(st.lists(st.fixed_dictionaries({n: column(n, o) for n, o in names}), max_size=3))
        for row in many:
            if "probe" in row and table.of_probe:
                row["probe"] = draw(st.integers(1, 3))
            if table.name in ("feed", "weighing"):
                row["chick"] = "pip"
        rows[table.name] = many
    rows["chick"].append(dict.fromkeys(("kind", "mark", "brooder"), "") | {"name": "pip"})
    return rows


def fill(path: Path, rows: dict[str, list[dict[str, Any]]]) -> None:
    connection = open_writer(path)
    migrate(connection, path)
    with transaction(connection, path):
        connection.executemany("INSERT INTO probe (id, name) VALUES (?, ?)", [(1, "left"), (2, "dish"), (3, 'ä,"b"')])
        for table, many in rows.items():
            for row in many:
                names, marks = ", ".join(row), ", ".join("?" * len(row))
                connection.execute(f"INSERT OR IGNORE INTO {table} ({names}) VALUES ({marks})", tuple(row.values()))
    connection.close()


def jsonl(path: Path) -> str:
    connection = open_reader(path)
    out = io.StringIO(newline="")
    export_jsonl(connection, path, list(TABLES), out)
    connection.close()
    return out.getvalue()


def comma_separated(path: Path, table: str) -> str:
    connection = open_reader(path)
    out = io.StringIO(newline="")
    export_csv(connection, path, table, out)
    connection.close()
    return out.getvalue()


def write(path: Path, text: str) -> Path:
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(text)
    return path


@settings(
    max_examples=12, deadline=None, phases=[Phase.generate], suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(rows=filled())
def test_export_import_export_gives_the_same_bytes(
    tmp_path_factory: pytest.TempPathFactory, rows: dict[str, list[dict[str, Any]]]
) -> None:
    folder = tmp_path_factory.mktemp("exchange")
    fill(folder / "history.db", rows)
    first = jsonl(folder / "history.db")
    done = import_file(folder / "again.db", write(folder / "all.jsonl", first))
    assert jsonl(folder / "again.db") == first
    assert done.taken == len(first.split('\n{"table"')) - (not first)
    for table in TABLES:
        text = comma_separated(folder / "history.db", table)
        import_file(folder / "third.db", write(folder / f"{table}.csv", text))
        assert comma_separated(folder / "third.db", table) == text
    assert import_file(folder / "again.db", folder / "all.jsonl").taken == 0


@pytest.fixture
def small(tmp_path: Path) -> Path:
    rows: dict[str, list[dict[str, Any]]] = {
        "chick": [{"name": "pip", "kind": "", "mark": "", "brooder": ""}],
        "weighing": [
            {"id": i, "at_ms": i, "sure": 1, "chick": "pip", "grams": 40.0 + i, "note": "", "origin": "control"}
            for i in range(1, 4)
        ],
    }
    fill(tmp_path / "history.db", rows)
    return tmp_path


def test_bad_rows_are_named_with_their_lines_and_nothing_is_taken(small: Path) -> None:
    text = comma_separated(small / "history.db", "weighing").replace(",41.0,", ",heavy,").replace(",43.0,", ",,")
    chicks = write(small / "chick.csv", comma_separated(small / "history.db", "chick"))
    import_file(small / "new.db", chicks)
    with pytest.raises(DataError) as caught:
        import_file(small / "new.db", write(small / "weighing.csv", text))
    assert "line 2: grams: 'heavy' will not do" in str(caught.value)
    assert "line 4: grams is missing" in str(caught.value)
    assert "line 3" not in str(caught.value)
    with sqlite3.connect(small / "new.db") as connection:
        assert connection.execute("SELECT count(*) FROM weighing").fetchone() == (0,)
    connection.close()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a,b\n1,2\n", "line 1: these are not the column names of an export: a, b"),
        ('{"table": "songs"}\n', "line 1: not an object with"),
        ('{"table": "batch", "id": 1}\n', "line 1: at is missing"),
        ("id,at,sure,chick,grams,note,origin\n1,2031-05-04T06:00:00Z,true,pop,4.0,,control\n", "no chick 'pop'"),
        ("id,at,sure,dish,origin\n1,2031-05-04T06:00:00,true,a,mqtt\n", "a time needs its offset"),
        ("id,at,sure,dish,origin\n1,2031-05-04T06:00:00Z,yes,a,b\n", "sure: 'yes' will not do: write true or false"),
        ('{"table": "batch", "x": 1}\n', "batch has no x"),
        ("id,at,sure,dish,origin\n1,2\n", "line 2: has 2 fields, the header 5"),
    ],
)  # fmt: skip
def test_what_cannot_be_imported_is_said_in_a_sentence(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(DataError, match=r"nothing was imported|these are not") as caught:
        import_file(tmp_path / "history.db", write(tmp_path / "file", text))
    assert said in str(caught.value)


def test_a_row_that_differs_from_the_one_in_the_history_is_refused(small: Path) -> None:
    text = comma_separated(small / "history.db", "weighing").replace(",41.0,", ",51.0,")
    with pytest.raises(DataError, match=r"line 2: weighing with id 1 is in the history already and differs"):
        import_file(small / "history.db", write(small / "weighing.csv", text))


def test_a_file_that_is_not_text_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(DataError, match="cannot be read"):
        import_file(tmp_path / "history.db", tmp_path / "file")
    with pytest.raises(DataError, match="cannot be read"):
        import_file(tmp_path / "history.db", tmp_path / "nothing")


@pytest.mark.parametrize(
    ("content", "said"),
    [(b"", "is empty: give a file that `sensord export` wrote"), (b"\n", "an empty line"), (b"\xff", "not UTF-8 text"),
     (b'{"table": "batch", "x": 1}\n', "batch has no x")],
)  # fmt: skip
def test_an_import_that_is_refused_leaves_no_new_history_behind(tmp_path: Path, content: bytes, said: str) -> None:
    source = tmp_path / "file"
    source.write_bytes(content)
    with pytest.raises(DataError, match=said):
        import_file(tmp_path / "new" / "state" / "history.db", source)
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_an_import_that_is_refused_leaves_the_history_that_was_there(small: Path) -> None:
    (small / "empty").write_bytes(b"")
    with pytest.raises(DataError, match="is empty"):
        import_file(small / "history.db", small / "empty")
    assert "41.0" in comma_separated(small / "history.db", "weighing")


def test_no_import_beside_a_running_daemon(small: Path) -> None:
    from sensord.history.database import lock

    held = lock(small / "history.db")
    with pytest.raises(StorageError, match="another sensord writes"):
        import_file(small / "history.db", small / "chick.csv")
    held.close()


def stored(path: Path, statement: str, *values: object) -> None:
    """What damage, or a version without a gate, has written."""
    connection = sqlite3.connect(path)
    connection.execute(statement, values)
    connection.commit()
    connection.close()


ODD_ROWS = [
    ("weighing", "grams", 5e-324, "grams: 5e-324 cannot be: write a number"),
    ("weighing", "grams", 0.0, "grams: 0.0 cannot be: write a number"),
    ("weighing", "grams", -3.0, "grams: -3.0 cannot be: write a number"),
    ("weighing", "grams", 1e308, "grams: 1e+308 cannot be: write a number"),
    ("weighing", "grams", float("inf"), "grams: inf cannot be: write a number"),
    ("weighing", "grams", "heavy", "grams: heavy cannot be"),
    ("weighing", "at_ms", -1, "a time before 1970"),
    ("weighing", "at_ms", 2**62, "at: 4611686018427387904 cannot be"),
    ("weighing", "at_ms", 253_402_300_800_000, "at: 253402300800000 cannot be"),
    ("weighing", "origin", "a friend", "known are control, mqtt, button, daemon"),
    ("weighing", "note", b"\xff\xfe", "note"),
    ("chick", "hatched", "yesterday", "hatched: yesterday cannot be"),
    ("chick", "every_hours", 1e-9, "every_hours: 1e-09 cannot be"),
    ("chick", "gone", 17, "left: 17 cannot be"),
]


@pytest.mark.parametrize(("table", "name", "value", "said"), ODD_ROWS)
def test_what_is_stored_and_cannot_be_is_named_exported_as_it_is_and_not_imported_again(
    small: Path, table: str, name: str, value: object, said: str
) -> None:
    path = small / "history.db"
    before = len(jsonl(path).splitlines())
    stored(path, f"UPDATE {table} SET {name} = ? WHERE rowid = (SELECT max(rowid) FROM {table})", value)
    connection = open_reader(path)
    found = list(impossible_rows(connection, path))
    out = io.StringIO()
    done = export_jsonl(connection, path, list(TABLES), out)
    connection.close()
    assert len(found) == 1
    assert said in found[0]
    assert (done.rows, done.impossible) == (before, 1)
    if not isinstance(value, bytes):  # which is written as the text that it may be
        with pytest.raises(DataError, match=r"line \d+: "):
            import_file(small / "again.db", write(small / "all.jsonl", out.getvalue()))
        assert not (small / "again.db").exists()


def test_an_export_without_a_range_leaves_out_no_time_and_no_probe(small: Path) -> None:
    path = small / "history.db"
    reading = "INSERT INTO reading (at_ms, probe, milli, count, held_ms, sure) VALUES (?, ?, 34000, 1, 0, 1)"
    for at_ms, probe in ((-5, 1), (10**15, 1), (7, 99)):
        stored(path, reading, at_ms, probe)
    lines = comma_separated(path, "reading").splitlines()
    assert len(lines) == 1 + 3
    connection = open_reader(path)
    assert export_csv(connection, path, "reading", io.StringIO(), (0.0, 1.0)).rows == 1
    connection.close()


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"grams": 5e-324}, "grams: 5e-324 will not do"),
        ({"grams": -1}, "grams: -1 will not do"),
        ({"grams": 1e308}, "grams: 1e+308 will not do"),
        ({"id": 2**64}, "id: 18446744073709551616 will not do"),
        ({"id": -1}, "id: -1 will not do"),
        ({"at": "1969-12-31T23:59:59Z"}, "a time before 1970"),
        ({"at": "10000-01-01T00:00:00Z"}, "at: '10000-01-01T00:00:00Z' will not do"),
        ({"at": "0001-01-01T00:00:00+14:00"}, "at: "),
        ({"note": [[[]]]}, "note: [[[]]] will not do: not a text"),
        ({"note": "x" * 2001}, "longer than 2000 characters"),
        ({"origin": "a friend"}, "known are control, mqtt, button, daemon"),
        ({"grams": {}}, "grams: {} will not do"),
        ({"sure": 2}, "write true or false"),
    ],
)
def test_what_cannot_be_is_not_imported(small: Path, fields: dict[str, Any], said: str) -> None:
    row = {"table": "weighing", "id": 9, "at": "2031-05-04T06:00:00Z", "sure": True, "chick": "pip", "grams": 40.0,
           "note": "", "origin": "control"} | fields  # fmt: skip
    with pytest.raises(DataError) as caught:
        import_file(small / "history.db", write(small / "one.jsonl", json.dumps(row) + "\n"))
    assert said in str(caught.value)


@pytest.mark.parametrize(
    ("table", "name", "value"),
    [
        ("alarm", "condition", "too-funny"), ("alarm", "priority", "urgent"), ("alarm", "state", "asleep"),
        ("alarm", "celsius", 1e308), ("feed", "crop", "stuffed"), ("feed", "celsius", -273.0),
        ("reading", "celsius", 1e308), ("reading", "fault", "tired"), ("reading", "held_seconds", 1e99),
        ("reading", "count", 2**70), ("command", "verb", "dance"), ("power_gap", "before", "[" * 3000),
        ("power_gap", "before", '{"left": 1e400}'), ("chick", "name", "../pip"), ("note", "what", "a ghost"),
    ],
)  # fmt: skip
def test_unknown_words_and_wild_numbers_are_refused_in_a_sentence(
    tmp_path: Path, table: str, name: str, value: object
) -> None:
    row: dict[str, object] = {"table": table, name: value}
    with pytest.raises(DataError, match=rf"(?s)line 1: .*{name}|line 1: at is missing|is missing"):
        import_file(tmp_path / "history.db", write(tmp_path / "one.jsonl", json.dumps(row) + "\n"))
    column = next(one for one in TABLES[table].columns if one.name == name)
    with pytest.raises((ValueError, RecursionError)):
        column.codec.read(value)


def test_a_deep_nest_of_json_is_one_sentence(tmp_path: Path) -> None:
    for text in ("[" * 100_000, '{"table": ' * 100_000, '{"table": "weighing", "id": ' + "9" * 5000 + "}"):
        with pytest.raises(DataError, match=r"line 1: not an object with|not the column names"):
            import_file(tmp_path / "history.db", write(tmp_path / "deep.jsonl", text))


def test_a_pipe_or_a_device_is_no_file_to_import(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    for source in (tmp_path / "pipe", Path("/dev/zero"), tmp_path):
        with pytest.raises(DataError, match=r"is no regular file|it is a folder"):
            import_file(tmp_path / "history.db", source)
