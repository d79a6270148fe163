"""Sheets to print, of a lived history and of invented ones: what stands on them; that they are safe."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from click.testing import Result

import lived_history
from boats import boat as a_boat
from boats import joint as a_joint
from creeps import B, judge, points
from histories import START_TIME, alert, estimate, open_store, put
from invented_boat import write_invented_history
from lived_history import PROVED, WORSE, run
from lugwatch.clock import ManualClock
from lugwatch.dashboard import record_chart, record_view
from lugwatch.dashboard.app import create_app
from lugwatch.model import (
    AlertChange,
    AlertChangeKind,
    AlertState,
    Creep,
    JointBaseline,
    JointPassage,
    Output,
    Passage,
)
from lugwatch.store.queries import History
from lugwatch.units import format_time
from pages import InProcess

pytestmark = pytest.mark.usefixtures("built")


# HTML living standard, 13.1.2: elements that have no end tag
VOID = {"meta", "br", "link", "img", "input", "hr"}
SVG_ALONE = {"line", "rect", "circle", "polyline", "path"}
# attributes that fetch, and elements that fetch or run
FETCHING = {"src", "href", "srcset", "data", "action", "poster", "style", "background"}
RUNNING = {"script", "link", "img", "iframe", "object", "embed", "form", "video", "audio", "base"}


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return lived_history.live(tmp_path_factory.mktemp("lived"))


class Sheet(HTMLParser):
    """Reads a sheet and holds it to what a sheet must be; `words` is what a reader sees."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.text = text
        self.open: list[str] = []
        self.headings: list[str] = []
        self.rows: list[list[str]] = []
        self.words = ""
        self.feed(text)
        self.close()
        assert not self.open, self.open
        self.words = re.sub(r"\s+", " ", self.words.replace("\u00a0", " "))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag not in RUNNING, tag
        for name, value in attrs:
            assert name not in FETCHING and not name.startswith("on"), (tag, name, value)
        if tag not in VOID:
            self.open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")
            self.words += " "
        if tag in ("h1", "h2"):
            self.headings.append("")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag in SVG_ALONE, f"<{tag}/> is no element of HTML that closes itself"
        self.handle_starttag(tag, attrs)
        self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open[-1] == tag, (tag, self.open)
        self.open.pop()

    def handle_data(self, data: str) -> None:
        if "style" in self.open:
            assert "url(" not in data and "@import" not in data
            return
        self.words += data
        if self.rows and ("td" in self.open or "th" in self.open):
            self.rows[-1][-1] += data
        if self.open and self.open[-1] in ("h1", "h2"):
            self.headings[-1] += data

    def row(self, name: str) -> list[str]:
        found = [[re.sub(r"\s+", " ", c).strip() for c in row] for row in self.rows if row]
        (row,) = [r for r in found if r[0] == name]
        return row


def sheet(*words: str | Path) -> Sheet:
    answer = run("sheet", *words, "-o", "-")
    assert answer.exit_code == 0, answer.output
    assert answer.output.startswith("<!doctype html>")
    return Sheet(answer.output)


def last_estimate(database: Path, joint: str):  # type: ignore[no-untyped-def]
    with History.open(database) as history:
        return next(e for e in history.estimates(None) if e.joint == joint)


# ---- a lived history ------------------------------------------------------------------------


def test_the_sheet_of_a_joint_that_went_bad(lived: Path) -> None:
    found, now = sheet("joint", WORSE, "--db", lived), last_estimate(lived, WORSE)
    for heading in ("Bus bar, alternator stud", "What it is made of", "What is known of it", "Proof tests",
                    "From passage to passage", "Alerts", "Journal of this joint", "Cautions"):  # fmt: skip
        assert heading in found.headings, heading
    assert found.row("Limit")[1:] == ["90 °C", "insulation class 90 °C"]
    assert found.row("Cables")[1] == "50 mm²"
    assert found.row("Torque")[1] == "unknown (not in the configuration)"
    assert found.row("Temperature")[1] == f"{now.probe_celsius:.1f} °C"
    assert "onewire" in found.row("Temperature")[2]
    assert found.row("Current")[1] == f"{now.current_amps:.1f} A" and "serial" in found.row("Current")[2]
    rise, sd = 1e4 * now.rise_coefficient, 1e4 * now.rise_coefficient_sd
    assert found.row("Rise at 100 A")[1] == f"{rise:.1f} K ({rise - 2 * sd:.1f} to {rise + 2 * sd:.1f})"
    assert found.row("Resistance at 20 °C")[2] == "the heat that cables and bar carry away"
    assert "µΩ ±" in found.row("Resistance at 20 °C")[1]
    # learned while it went bad, so there is nothing that it was while it was good
    assert found.row("Baseline")[1] == "unknown" and found.row("Ratio to its baseline")[1].startswith(
        "unknown"
    )
    warm = 1.0 + 0.00393 * 70.0
    amps = ((90.0 - now.reference_celsius) / (now.rise_coefficient * warm)) ** 0.5
    assert found.row("Largest tolerable current")[1].startswith(f"{amps:.0f} A (")
    for words in ("over its limit", "IEC 60028", "Never break the alternator's output",
                  "no proof test was kept", "licensed marine electrician"):  # fmt: skip
        assert words in found.words, words
    assert found.text.count("<circle") == 1, "one passage could tell its rise"


def test_the_sheet_of_a_joint_that_was_proved(lived: Path) -> None:
    found = sheet("joint", PROVED, "--db", lived)
    for words in ("min at 89 A from 2026-05-03T18:10:05Z, surroundings", "sound: surely below the",
                  "its cable alone rises about", "crew: <as found>", "Spring washer <M8> & nut looked at",
                  "4.50 mV, 90.0 A, 41.0 °C", "Alerts None."):  # fmt: skip
        assert words in found.words, words
    assert "<as found>" not in found.text and "&lt;as found&gt;" in found.text


def test_a_joint_that_is_described_is_drawn_from_bar_to_nut(lived: Path, tmp_path: Path) -> None:
    written = (lived.parent / "boat.toml").read_text(encoding="utf-8")
    head, tail = written.split(f'[[joint]]\nid = "{WORSE}"', 1)
    own, *others = tail.split("[[", 1)
    described = f'{own}[joint.stack]\nlugs = ["50:120", "16:20"]\nthrough = ["washer"]\n'
    path = tmp_path / "boat.toml"
    path.write_text(f'{head}[[joint]]\nid = "{WORSE}"{described}{"".join("[[" + o for o in others)}', "utf-8")
    found = sheet("joint", WORSE, "--db", lived, "--config", path)
    assert "From bar to nut" in found.headings and found.text.count('class="stack-drawing"') == 1
    for words in ("washer, stainless 304: in the way", "lug 2, 16 mm², 20 A", "the same without the washer:",
                  "take it out of the current's way"):  # fmt: skip
        assert words in found.words, words
    assert sheet("joint", PROVED, "--db", lived, "--config", path).text.count("stack-drawing") == 1, "style"
    assert "this sheet was made without the configuration" in sheet("joint", WORSE, "--db", lived).words


def test_the_sheet_of_a_passage(lived: Path) -> None:
    found = sheet("passage", "2", "--db", lived)
    assert found.headings[0] == "2026-05-04 09:00 UTC, still under way"
    row = found.row("Bus bar, alternator stud")
    assert row[1:4] == ["91.6 °C", "90 °C", "over its limit"] and row[5] == "first one"
    assert "1.5 h" in found.words, "a passage under way ends at its last reading, not today"
    assert found.text.count('class="spells"') == 4
    assert "Bus bar, alternator stud is at 91 °C" in found.words


def test_the_sheet_of_the_boat(lived: Path) -> None:
    found = sheet("boat", "--db", lived, "--config", lived.parent / "boat.toml")
    assert found.headings[0] == "Wheatear 4"
    rows = [r for r in found.rows if len(r) == 8][1:]
    with History.open(lived) as history:
        joints = history.boat().joints
        for joint, row in zip(joints, rows, strict=True):
            carries = record_view.tolerable_object(last_estimate(lived, joint.joint), joint)
            assert row[0] == joint.name
            told = "unknown" if carries["amps"] is None else f"{carries['amps']:.0f}\u00a0A"
            assert told in row[7], joint.name
    for words in ("Alternator fuse, engine side → Alternator fuse → Alternator fuse, bar side → Bus bar, a",
                  "What is not known, and why", "Torque all joints not in the configuration",
                  "over its limit · over, unseen · Bus bar, alternator stud"):  # fmt: skip
        assert words in found.words, words


def test_a_file_is_written_whole_and_named_after_what_it_is_of(
    lived: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert "sheet-joint-bar_inverter.html" in lived_history.done("sheet", "joint", PROVED, "--db", lived)
    lived_history.done("sheet", "boat", "--db", lived, "-o", tmp_path / "b.htm")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["b.htm", "sheet-joint-bar_inverter.html"]
    Sheet((tmp_path / "b.htm").read_text(encoding="utf-8"))
    for what, words in ((PROVED, ("joint", PROVED)), ("2", ("passage", "2"))):
        lived_history.done("report", what, "--db", lived, "--out", tmp_path / "r.html")
        told = Sheet((tmp_path / "r.html").read_text(encoding="utf-8"))
        assert told.headings == sheet(*words, "--db", lived).headings
    assert "no joint 'x'" in str(run("report", "x", "--db", lived).exception)
    assert "no passage '9'" in str(run("report", "9", "--db", lived).exception)


def refused(*words: str | Path) -> Result:
    answer = run("sheet", *words)
    assert answer.exit_code != 0 and "Traceback" not in answer.output
    return answer


def test_what_is_not_there_is_one_line(lived: Path, tmp_path: Path) -> None:
    before = lived.read_bytes()
    for words, says in (
        (("joint", "nowhere", "--db", lived), "no joint 'nowhere'"),
        (("joint", "", "--db", lived), "no joint ''"),
        (("passage", "9", "--db", lived), "there are 1 to 2"),
        (("passage", "x", "--db", lived), "no passage 'x'"),
        (("passage", "²", "--db", lived), "no passage"),
        (("boat", "--db", tmp_path / "none.db"), "none.db"),
        (("boat", "--db", lived, "-o", lived), "name it FILE.html"),
        (("boat", "--db", lived, "-o", tmp_path / "no" / "x.html"), "cannot write"),
        (("boat", "--db", lived, "--config", tmp_path / "none.toml"), "none.toml"),
    ):
        error = refused(*words).exception
        assert says in str(error) and "\n" not in str(error).strip(), words
    assert lived.read_bytes() == before


# ---- invented ones: a baseline, a trend, words that would be markup -------------------------

HOSTILE = "</style><script>alert(1)</script>\"'&amp; {{ 7*7 }} <b>"


@pytest.fixture
def creeping(tmp_path: Path) -> Iterator[tuple[Path, Creep, JointBaseline]]:
    """Eight passages of one joint that gains, every name and note hostile."""
    joints = (
        replace(
            a_joint("bar"), name=HOSTILE, limit_basis=HOSTILE, facts=dict.fromkeys(("stud", "note"), HOSTILE)
        ),
        a_joint("new"),
    )
    boat = a_boat(*joints)
    boat = replace(boat, name=HOSTILE, channels=tuple(replace(c, name=HOSTILE) for c in boat.channels))
    some = points([1.0, 1.02, 1.05, 1.07, 1.1, 1.12, 1.16, 1.18], sd_ratio=0.01)
    creep = judge(some)
    baseline = JointBaseline(
        joint="bar",
        taken_time=some[0].time + 3_600_000,
        baseline_time=some[0].time,
        ended_time=None,
        rise_coefficient=B,
        rise_coefficient_sd=0.01 * B,
        evidence_seconds=5400.0,
    )
    raised = alert(text=HOSTILE, advice=HOSTILE, acknowledged_by=HOSTILE, acknowledged_time=START_TIME)
    shelved = alert(2, AlertState.NORMAL, rectified_time=START_TIME + 60_000)
    outputs: Sequence[Output] = (
        *(_passage(p.passage_id, p.time, p.rise_coefficient, p.rise_coefficient_sd) for p in some),
        baseline,
        creep,
        estimate(time=some[-1].time, rise_coefficient=1.18 * B, reason=HOSTILE),
        AlertChange(sequence=1, time=START_TIME, change=AlertChangeKind.RAISED, alert=raised),
        AlertChange(sequence=2, time=START_TIME, change=AlertChangeKind.RAISED, alert=shelved),
    )
    path = tmp_path / "a.db"
    with open_store(path, boat=boat) as store:
        put(store, outputs, time=some[-1].time)
        yield path, creep, baseline


def _passage(passage_id: int, time: int, rise: float, sd: float) -> Passage:
    told = JointPassage(max_celsius=60.0, rise_coefficient=rise, rise_coefficient_sd=sd)
    return Passage(
        passage_id=passage_id, start_time=time, end_time=time + 7_200_000, amp_hours=41.0, max_amps=95.0,
        currents={}, joints={"bar": told},
    )  # fmt: skip


def test_names_and_notes_are_never_markup(creeping: tuple[Path, Creep, JointBaseline]) -> None:
    path, *_ = creeping
    written = run("journal", "add", "bar", "--note", HOSTILE, "--by", HOSTILE, "--db", path)
    assert written.exit_code == 0, written.output
    client = InProcess(create_app(path, ManualClock()))
    for words in (("joint", "bar"), ("passage", "3"), ("boat",)):
        found = sheet(*words, "--db", path)
        assert HOSTILE in found.words and "<script" not in found.text and "49" not in found.headings[0]
        address = {"joint": "/joints/bar/sheet", "passage": "/passages/3/sheet", "boat": "/sheet"}[words[0]]
        assert HOSTILE in Sheet(client.get(address).text).words
    assert sheet("joint", "bar", "--db", path).words.count(HOSTILE) >= 10


def test_baseline_trend_and_forecast_stand_on_the_sheet(creeping: tuple[Path, Creep, JointBaseline]) -> None:
    path, _, baseline = creeping
    found = sheet("joint", "bar", "--db", path)
    row = found.row("Baseline")
    assert row[1] == f"{1e4 * B:.1f} K ({1e4 * B * 0.98:.1f} to {1e4 * B * 1.02:.1f})"
    assert format_time(baseline.baseline_time)[:10] in row[2] and "1.5 h of it counted" in row[2]
    assert found.row("Ratio to its baseline")[1] == "1.31 (standard deviation 0.06)"
    assert "creeping: +18 % over 8 passages" in found.words and "by about" in found.words
    assert found.text.count("<circle") == 8 and 'class="trend ahead"' in found.text
    assert "acknowledged by" in found.words and "still on" in found.words
    assert "2026-05-28 20:26 UTC to 2026-05-28 20:27 UTC" in found.words, "the one that is over"
    # of a joint that was never judged nothing is told, and why
    new = sheet("joint", "new", "--db", path)
    assert new.row("Temperature")[1] == new.row("Baseline")[1] == "unknown"
    assert new.row("Largest tolerable current")[1] == "unknown (nothing has been judged of it yet)"
    assert "Everything New nothing has been judged of it yet" in sheet("boat", "--db", path).words


def test_the_drawing_is_true_to_its_figures(creeping: tuple[Path, Creep, JointBaseline]) -> None:
    path, creep, baseline = creeping
    with History.open(path) as history:
        known = record_chart.dots("bar", history.passages())
    drawn = record_chart.chart(known, creep, baseline)
    assert drawn is not None
    ticks = {t["kelvin"]: t["y"] for t in drawn["ticks"]}  # type: ignore[attr-defined]
    low, high = min(ticks), max(ticks)

    def kelvin(y: float) -> float:
        return low + (ticks[low] - y) / (ticks[low] - ticks[high]) * (high - low)

    for dot, place in zip(known, drawn["dots"], strict=True):  # type: ignore[call-overload]
        assert kelvin(place["y"]) == pytest.approx(dot.kelvin, abs=0.05)
        assert dot.spread is not None
        assert kelvin(place["y_high"]) == pytest.approx(dot.kelvin + dot.spread, abs=0.05)
    assert kelvin(drawn["half_up_y"]) == pytest.approx(1.5e4 * B, abs=0.05)  # type: ignore[arg-type]
    ahead, trend = drawn["ahead"], drawn["trend"]
    # the line is the creep's: at its last passage, with its slope in shares of the baseline a 100 days
    assert kelvin(trend["y2"]) == pytest.approx(1e4 * (creep.rise_coefficient or 0.0), abs=0.05)  # type: ignore[index]
    days = (known[-1].time - known[0].time) / 86_400_000
    gain = kelvin(trend["y2"]) - kelvin(trend["y1"])  # type: ignore[index]
    assert gain == pytest.approx((creep.gain_ratio_per_100_days or 0.0) * 1e4 * B * days / 100.0, abs=0.1)
    assert (ahead["x1"], ahead["y1"]) == (trend["x2"], trend["y2"])  # type: ignore[index]
    assert record_chart.chart([], None, None) is None
    (alone,) = record_chart.chart(known[:1], None, None)["dots"]  # type: ignore[index, misc]
    assert 0.0 < alone["x"] < record_chart.WIDTH and 0.0 < alone["y"] < record_chart.HEIGHT


# ---- on the page ----------------------------------------------------------------------------


def test_the_page_serves_the_same_sheets_and_a_policy_that_lets_nothing_else_in(tmp_path: Path) -> None:
    clock, database = ManualClock(), tmp_path / "a.db"
    write_invented_history(database, clock).close()
    client = InProcess(create_app(database, clock))
    made = re.compile(r"Made by .*? UTC\.")
    for address, words in (
        ("/joints/bar_alternator/sheet", ("joint", "bar_alternator")),
        ("/passages/1/sheet", ("passage", "1")),
        ("/sheet", ("boat",)),
    ):
        answer = client.get(address)
        assert answer.status_code == 200, address
        assert made.sub("", answer.text) == made.sub("", sheet(*words, "--db", database).text)
        policy = answer.headers["Content-Security-Policy"]
        assert policy.startswith("default-src 'none'; style-src 'sha256-") and "script" not in policy
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        page = client.get(address.removesuffix("/sheet") if address != "/sheet" else "/watchman")
        assert f'href="{address}"' in page.text
    for address in ("/joints/nowhere/sheet", "/passages/9/sheet"):
        assert client.get(address).status_code == 404
    assert client.get("/passages/x/sheet").status_code == 422
    empty = InProcess(create_app(tmp_path / "none.db", clock))
    for address in ("/sheet", "/joints/bar/sheet", "/passages/1/sheet"):
        assert empty.get(address).status_code == 404, address
