"""Export and import: the same bytes back, or line numbers and nothing taken."""

import io
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from sensord.errors import DataError, StorageError
from sensord.history.database import open_reader, open_writer, transaction
from sensord.history.exchange import TABLES, export_csv, export_jsonl, import_file
from sensord.history.migrations import migrate
from sensord.texts import plain_text

EVER = (0.0, 1e11)
TEXT = st.text(st.characters(codec="utf-8", exclude_characters="\x00"), max_size=12).map(plain_text)
NUMBER = st.floats(allow_nan=False, allow_infinity=False, width=64)
MS = st.integers(0, 4_000_000_000_000)
DAY = st.dates().map(lambda day: day.isoformat())


def column(name: str, optional: bool) -> st.SearchStrategy[Any]:
    kinds: dict[str, st.SearchStrategy[Any]] = {
        "_TIME": MS, "at": MS, "day": DAY, "truth": st.integers(0, 1), "number": NUMBER, "text": TEXT,
    }  # fmt: skip
    if name in ("hatched", "gone"):
        kind = kinds["day"]
    elif name.endswith("_ms"):
        kind = MS
    elif name in ("sure", "done", "pinned"):
        kind = kinds["truth"]
    elif name in ("celsius", "low_celsius", "high_celsius", "grams", "millilitres", "gap_seconds", "every_hours"):
        kind = NUMBER
    elif name in ("low", "mean", "high", "milli", "count", "faults", "id"):
        kind = st.integers(-100_000, 100_000)
    elif name == "at_s":
        kind = st.integers(0, 4_000_000_000)
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
    export_jsonl(connection, path, list(TABLES), out, *EVER)
    connection.close()
    return out.getvalue()


def comma_separated(path: Path, table: str) -> str:
    connection = open_reader(path)
    out = io.StringIO(newline="")
    export_csv(connection, path, table, out, *EVER)
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
        ("id,at,sure,dish,origin\n1,2031-05-04T06:00:00,true,a,b\n", "a time needs its offset"),
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
