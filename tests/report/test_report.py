"""The report: its figures, its words, and its pages as a browser really draws them."""

import json
import re
import shutil
import subprocess
import sys
from base64 import b64decode
from dataclasses import replace
from pathlib import Path

import pytest

from sensord.cli import main
from sensord.durations import duration, foretold
from sensord.history.history_reader import AlarmRow, BandRow, HistoryReader, ProbePoint
from sensord.readings import Interval
from sensord.report.report_data import Report, gather_report
from sensord.report.report_figures import air_figures, alarm_figures, binned, episodes, lids, together
from sensord.report.report_page import page
from sensord.report.report_words import happenings, look_first, sentences, share_words, short_form, signed
from tests.helpers.sample_history import NIGHT, make

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
END = NIGHT.timestamp()
HOUR = 3600.0
BROODERS = {"brooder": ["left", "right"]}


def night(path: Path) -> Report:
    with HistoryReader(path) as reader:
        return gather_report(reader, END - 12 * HOUR, END, END + 60, "A night", "nursery", "0", BROODERS)


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(tmp_path_factory.mktemp("sample"), chicks=3, days=12)


def minutes(*means: float, low_by: float = 0.1) -> list[ProbePoint]:
    return [ProbePoint(60.0 * i, mean - low_by, mean, mean + 0.1, 60, 0) for i, mean in enumerate(means)]


def test_minutes_outside_the_band_are_counted_on_their_side() -> None:
    bands = [BandRow(0.0, "brooder", 34.0, 36.0, "x"), BandRow(180.0, "brooder", 30.0, 32.0, "x")]
    found = air_figures(minutes(35, 33, 37, 31, 31), bands, 0.0, 600.0, 60.0)
    assert (found.minutes_under, found.minutes_over, found.minutes_unread) == (1, 1, 5)
    assert found.share_in_band == pytest.approx(3 / 5)
    assert (found.low_celsius, found.high_celsius) == (30.9, 37.1)
    assert air_figures([], bands, 0.0, 600.0, 60.0).share_in_band is None


def test_two_probes_of_one_brooder_become_one_curve() -> None:
    (point,) = together([minutes(35.0), [ProbePoint(0.0, 33.0, 34.0, 34.5, 20, 3)]])
    assert point == ProbePoint(0.0, 33.0, (35 * 60 + 34 * 20) / 80, 35.1, 80, 3)
    (coarse,) = binned(minutes(35, 36, 37), 180.0)
    assert (coarse.low_celsius, coarse.mean_celsius, coarse.high_celsius) == (34.9, 36.0, 37.1)


def test_a_lid_is_a_drop_that_comes_back_and_a_failed_heater_is_not() -> None:
    calm = [35.0] * 10
    assert lids([*minutes(*calm, 34.0, 34.8, 35.0)][:10]) == []
    lifted = minutes(*calm, 33.2, 34.2, 34.9, 35.0)
    assert lids(lifted) == [600.0]
    failed = minutes(*calm, *[35.0 - 0.3 * i for i in range(1, 40)])
    assert lids(failed) == []


def test_the_episodes_of_an_alarm_are_put_together() -> None:
    def row(at: float, previous: str, state: str, origin: str = "daemon", priority: str = "high") -> AlarmRow:
        return AlarmRow(at, "brooder", "too-cold", priority, state, previous, 33.0, origin, "seen")

    found = episodes(
        [
            row(0, "normal", "unacknowledged"),
            row(60, "unacknowledged", "acknowledged", "button"),
            row(600, "acknowledged", "normal"),
            row(900, "normal", "unacknowledged", priority="medium"),
            row(1000, "unacknowledged", "returned-unacknowledged"),
            row(1300, "returned-unacknowledged", "normal", "mqtt"),
            row(9000, "normal", "unacknowledged"),
            row(9010, "unacknowledged", "returned-unacknowledged"),
            row(9020, "returned-unacknowledged", "unacknowledged"),
        ]
    )
    assert [(one.raised, one.acknowledged, one.over) for one in found] == [
        (0, 60, 600), (900, 1300, 1000), (9000, None, None),
    ]  # fmt: skip
    figures = alarm_figures(found)
    assert (figures.raised, figures.high, figures.acknowledged) == (3, 2, 2)
    assert (figures.median_to_acknowledge, figures.came_again, figures.standing) == (230, 2, 1)
    assert figures.longest is found[0]


def test_stale_and_chattering_alarms_are_counted() -> None:
    def row(at: float, state: str, previous: str) -> AlarmRow:
        return AlarmRow(at, "brooder", "probe-fault", "medium", state, previous, None, "daemon", "seen")

    found = episodes(
        [row(0, "unacknowledged", "normal"), row(20, "normal", "acknowledged"), row(40, "unacknowledged", "normal")]
    )
    assert alarm_figures(found, 3600).chattering == ("brooder probe-fault",)
    assert alarm_figures(found, 3600).stale == 0
    assert alarm_figures(found, 90_000).stale == 1
    assert alarm_figures(found[1:], 90_000).chattering == ()


def test_the_night_in_words(sample: Path) -> None:
    report = night(sample)
    said = " ".join(sentences(report))
    assert "1 h 09 min too cold" in said
    assert "3 alarms, 1 of high priority, answered after 4 min (median)." in said
    assert "The watch was off once, for 22 min." in said
    assert "4 bowls" in said
    assert "12 feeds written down" in said
    assert [one.kind for one in happenings(report)].count("lid") == 4
    assert any("do not add more" in one for one in look_first(report))
    text = "\n".join(short_form(report))
    assert "cockatiel, red ring" in text
    assert "avian vet" in text
    assert max(len(line) for line in text.splitlines()) < 250


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (40, "40 s"),
        (90, "2 min"),
        (3599, "1 h"),
        (4140, "1 h 09 min"),
        (7200, "2 h"),
        (86_400 * 3, "3 days"),
        (-1, "0 s"),
    ],
)
def test_durations_in_words(seconds: float, words: str) -> None:
    assert duration(seconds) == words


def test_a_forecast_that_may_come_true_at_any_moment_is_said_with_its_end() -> None:
    assert foretold(Interval(600, 0, 1200)) == "within 20 min"
    assert foretold(Interval(600, 300, 1200)) == "in about 10 min"


def test_shares_are_not_rounded_up_to_all_and_nothing_has_no_sign() -> None:
    assert [share_words(share) for share in (1.0, 0.9996, 0.904)] == ["100 %", "99.9 %", "90 %"]
    assert [signed(value) for value in (3.84, -0.41, -0.01)] == ["+3.8", "−0.4", "0.0"]


def test_an_empty_history_gives_an_honest_report(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["chick", "pip", "--state", str(tmp_path), "--socket", str(tmp_path / "none")]) == 0
    assert main(["report", "day", "--state", str(tmp_path)]) == 0
    out = capsys.readouterr().out
    assert "No air temperature was read" in out
    assert "No feed was written down" in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["chick"], "which chick? known are dot, pip, wren"),
        (["chick", "pop"], "no chick 'pop'"),
        (["span"], "needs --from"),
        (["span", "--from", "2024-05-05", "--to", "2024-05-04"], "is not after"),
        (["night", "yesterday"], "is no time"),
        (["night", "--out", "night.doc"], "name it .html"),
    ],
)
def test_what_cannot_be_reported_is_said(
    sample: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    assert main(["report", *words, "--state", str(sample.parent)]) == (1 if "pop" in words else 2)
    assert said in capsys.readouterr().err


def test_the_report_for_a_program(sample: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "night", "2024-05-05", "--json", "--state", str(sample.parent)]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["title"] == "The night of 4 to 5 May 2024"
    assert [row["chick"] for row in found["chicks"]] == ["dot", "pip", "wren"]


def test_without_the_plotting_library_a_sentence_says_what_to_install(sample: Path, tmp_path: Path) -> None:
    # In a program of its own: here the library may be loaded already, by whichever test came first.
    out = tmp_path / "night.html"
    code = "import sys; sys.modules['matplotlib'] = None; from sensord.cli import main; sys.exit(main(sys.argv[1:]))"
    words = ["report", "night", "2024-05-05", "--state", str(sample.parent), "--out", str(out)]
    done = subprocess.run([sys.executable, "-c", code, *words], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "pip install 'sensord[report]'" in done.stderr
    assert not out.exists()


def written(folder: Path, *words: str) -> str:
    out = folder / "page.html"
    out.unlink(missing_ok=True)
    assert main(["report", *words, "--state", str(folder), "--out", str(out)]) == 0
    return out.read_text()


PICTURE = re.compile(
    r'<picture>(?:<source media="[^"]+" srcset="([^"]+)">)?<img src="([^"]+)" alt="([^"]+)"></picture>'
)
DATA = "data:image/svg+xml;base64,"


def drawing(address: str) -> str:
    """The SVG that a picture carries in its address."""
    assert address.startswith(DATA)
    text = b64decode(address.removeprefix(DATA)).decode()
    return text[text.index("<svg") :]


def test_the_page_needs_nothing_from_outside(sample: Path) -> None:
    text = written(sample.parent, "night", "2024-05-05")
    pictures = PICTURE.findall(text)
    assert len(pictures) > 5
    assert pictures[0][2].startswith("Air of brooder, from 26.5 °C to 31.9 °C")
    rest = PICTURE.sub("", text)
    for outside in ("http", "<script", "src=", "srcset=", "href=", "url("):
        assert outside not in rest, outside
    for svg in (drawing(address) for narrow, wide, _ in pictures for address in (narrow, wide) if address):
        ids = re.findall(r'\sid="([^"]+)"', svg)
        for used in re.findall(r'(?:href="|url\()([^")]+)', svg):
            assert used.removeprefix("#") in ids
    assert "avian vet" in text


def test_what_a_keeper_wrote_cannot_become_markup(tmp_path: Path) -> None:
    make(tmp_path, chicks=1, days=6)
    place = ["--state", str(tmp_path), "--socket", str(tmp_path / "none")]
    assert main(["chick", "pip", "--mark", "<b>&'\"", *place]) == 0
    text = written(tmp_path, "day", "2024-05-04")
    assert "<b>" not in text
    assert "&lt;b&gt;&amp;" in text


@pytest.mark.parametrize("ending", ["pdf", "svg"])
def test_the_sheet(sample: Path, tmp_path: Path, ending: str) -> None:
    out = tmp_path / f"night.{ending}"
    assert main(["report", "night", "2024-05-05", "--state", str(sample.parent), "--out", str(out)]) == 0
    assert out.read_bytes()[:5] in (b"%PDF-", b"<?xml")
    assert main(["report", "night", "2024-05-05", "--state", str(sample.parent), "--out", str(out)]) == 2


# Runs in the page: texts of one picture that lie over each other, and anything wider than the window.
_LOOK = """
<style>svg { display: block; width: 100%; height: auto; }</style>
<script>
const wide = document.documentElement.scrollWidth - window.innerWidth;
let hits = [];
for (const svg of document.querySelectorAll('svg')) {
  if (!svg.getBoundingClientRect().width) continue;
  const boxes = [...svg.querySelectorAll('text')].map(t => [t.textContent.trim(), t.getBoundingClientRect()]);
  for (let i = 0; i < boxes.length; i++) for (let j = i + 1; j < boxes.length; j++) {
    const a = boxes[i][1], b = boxes[j][1];
    const x = Math.min(a.right, b.right) - Math.max(a.left, b.left);
    const y = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
    if (x > 1 && y > 4) hits.push(boxes[i][0] + ' over ' + boxes[j][0]);
  }
}
const cells = [...document.querySelectorAll('h1,h2,h3,dt,dd,li,td,th,figcaption,.card p,.lead p')]
  .filter(e => e.getBoundingClientRect().width && e.scrollWidth > e.clientWidth + 1 && e.clientWidth)
  .map(e => e.textContent);
document.body.innerHTML = '<pre id=found>' + JSON.stringify({wide, hits, cells}) + '</pre>';
</script>
"""


def looked_at(page: str, folder: Path, width: int) -> dict[str, object]:
    """What is wrong in the page at a width, with the picture that such a window takes put right into it."""
    assert CHROMIUM is not None
    page = PICTURE.sub(lambda found: drawing(found[1] if width < 736 and found[1] else found[2]), page)
    file = folder / "looked.html"
    frame = folder / "frame.html"
    file.write_text(page.replace("</body>", _LOOK + "</body>"))
    # Headless windows have a least width; a frame is as narrow as it is told to be.
    frame.write_text(
        f'<iframe id=f src="looked.html" style="width:{width}px;height:3000px;border:0"></iframe>'
        "<script>onload=()=>{document.body.innerHTML="
        "document.getElementById('f').contentDocument.getElementById('found').outerHTML}</script>"
    )
    command = [
        CHROMIUM, "--headless=new", "--no-sandbox", "--disable-gpu", "--allow-file-access-from-files",
        "--virtual-time-budget=4000", "--dump-dom", frame.as_uri(),
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    found = re.search(r'<pre id="found">(.*?)</pre>', done.stdout, re.DOTALL)
    assert found is not None, done.stdout[:500]
    answer: dict[str, object] = json.loads(found.group(1).replace("&amp;", "&").replace("&lt;", "<"))
    return answer


@pytest.mark.skipif(CHROMIUM is None, reason="needs Chromium to lay the page out")
@pytest.mark.parametrize(("chicks", "days", "words"), [
    (1, 12, ("night", "2024-05-05")),
    (40, 12, ("night", "2024-05-05")),
    (40, 90, ("span", "--from", "2024-02-05", "--to", "2024-05-05")),
    (1, 90, ("chick", "pip")),
])  # fmt: skip
def test_nothing_overlaps_on_a_phone_and_on_a4(tmp_path: Path, chicks: int, days: int, words: tuple[str, ...]) -> None:
    make(tmp_path, chicks, days)
    page = written(tmp_path, *words)
    for width in (390, 794):  # a phone; A4 at 96 pixels an inch
        found = looked_at(page, tmp_path, width)
        assert found == {"wide": found["wide"], "hits": [], "cells": []}, width
        assert isinstance(found["wide"], int)
        assert found["wide"] <= 0, width


@pytest.mark.skipif(CHROMIUM is None, reason="needs Chromium to print")
def test_a_night_prints_on_two_sheets_of_a4(sample: Path, tmp_path: Path) -> None:
    file = tmp_path / "night.html"
    file.write_text(written(sample.parent, "night", "2024-05-05"))
    out = tmp_path / "night.pdf"
    command = [
        str(CHROMIUM), "--headless=new", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
        f"--print-to-pdf={out}", file.as_uri(),
    ]  # fmt: skip
    subprocess.run(command, capture_output=True, timeout=120, check=True)
    text = out.read_bytes()
    assert len(re.findall(rb"/Type\s*/Page\b", text)) == 2
    assert re.search(rb"/MediaBox \[0 0 59[45][.\d]* 84[12]", text)


def test_a_hostile_mark_or_note_is_text_on_the_page(sample: Path) -> None:
    """Written by an older version, or into the file by hand: everything that was let in is one line already."""
    hostile = "<script>alert(1)</script>\"'$x^2$\n\x1b[2J\u202e\x9b=1+1"
    report = night(sample)
    part = report.chicks[0]
    chick = replace(part.chick, kind=hostile, mark=hostile)
    feeds = tuple(replace(feed, note=hostile, crop=hostile) for feed in part.feeds)  # type: ignore[arg-type]
    for about in ("", part.chick.name):
        dirty = replace(
            report, unit=hostile, chicks=(replace(part, chick=chick, feeds=feeds), *report.chicks[1:]), chick=about
        )
        html = page(dirty)
        assert "<script" not in html
        assert all(line.isprintable() for line in html.split("\n"))
        assert "&lt;script&gt;alert(1)&lt;/script&gt;" in html
