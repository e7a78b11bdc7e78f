"""The page: whole in itself, verdict first, nothing hidden."""

import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser

import pytest

from testbed.plan.configuration import NO_SAFETY_FILTER
from testbed.plan.formation_schema import KeepOutCircle
from testbed.plan.schema import SeparationLimit, SessionLimits
from testbed.record.load import load
from testbed.record.notes import add_note
from testbed.record.results import Results
from testbed.report import make_report
from testbed.report.ending import ending
from testbed.report.page import render
from testbed.report.session import judge
from tests.record.synthetic import write_session
from tests.report.plan import short_plan
from tests.report.plannings import planned, with_events

VOID_ELEMENTS = {"meta", "br", "hr", "img", "input", "link"}


class Page(HTMLParser):
    """Checks that every element is closed, and collects texts, identifiers and links."""

    def __init__(self, text):
        super().__init__()
        self.open, self.texts, self.identifiers, self.links, self.sources = [], [], [], [], []
        self.feed(text)
        assert not self.open

    def handle_starttag(self, tag, attributes):
        given = dict(attributes)
        if tag not in VOID_ELEMENTS:
            self.open.append(tag)
        if "id" in given:
            self.identifiers.append(given["id"])
        if tag == "a":
            self.links.append(given["href"])
        self.sources += [given[key] for key in ("src", "xlink:href", "srcset") if key in given]

    def handle_startendtag(self, tag, attributes):
        self.handle_starttag(tag, attributes)
        if tag not in VOID_ELEMENTS:
            self.open.pop()

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] != "style" and data.strip():
            self.texts.append(" ".join(data.split()))

    @property
    def text(self):
        return " ".join(self.texts)


@pytest.fixture(scope="module")
def page(sessions):
    pages = {}

    def get(name):
        if name not in pages:
            pages[name] = make_report(sessions(name)).read_text()
        return pages[name]

    return get


def test_the_verdict_comes_first(page):
    text = Page(page("passed")).text
    assert text.index("Passed") < text.index("required runs passed") < text.index("Runs") < text.index("Objectives")
    assert "2 of 2 required runs passed, in 2 tries." in text


def test_the_page_needs_nothing_else(page):
    found = Page(page("passed"))
    assert all(source.startswith(("#", "data:")) for source in found.sources)
    assert all(link.startswith("#") for link in found.links)
    without_names = re.sub(r'xmlns(:\w+)?="[^"]*"', "", page("passed"))
    assert not re.search(r"""(href|src)=["']?(https?:)?//|@import|url\((?!["']?(#|data:))""", without_names)
    assert "<script" not in page("passed")


def test_identifiers_are_unique_and_every_reference_is_there(page):
    found = Page(page("retried"))
    assert len(found.identifiers) == len(set(found.identifiers))
    for reference in found.sources + found.links:
        if reference.startswith("#"):
            assert reference[1:] in found.identifiers
    for reference in re.findall(r"url\(#([^)]+)\)", page("retried")):
        assert reference in found.identifiers


def test_every_figure_is_sound_and_has_a_text_and_a_reading_line(page):
    figures = re.findall(r"<figure>(.*?)</figure>", page("passed"), re.DOTALL)
    assert len(figures) == 12  # six for each try
    for figure in figures:
        svg = re.search(r"<svg.*</svg>", figure, re.DOTALL)
        assert svg is not None
        root = ElementTree.fromstring(svg.group())
        assert root.attrib["aria-label"]
        assert "<figcaption>" in figure


def test_values_and_limits_of_every_criterion_are_shown(page):
    text = Page(page("passed")).text
    for expected in ("on station", "≤ 30 mm", "≥ 0.52 m", "≤ 2°", "≤ 5 g", "no contact"):
        assert expected in text


def test_a_contact_that_failed_a_run_is_shown_with_its_force(page):
    assert "5.00 N" in Page(page("failed")).text


@pytest.mark.parametrize(
    ("session", "expected"),
    [
        ("stopped", "Stopped: asked for in a test. Valves were told to close, and vehicles coasted."),
        ("stopped", "Predicted when the valves were told to close"),
        ("interrupted", "Interrupted by SIGINT."),
        ("plant died", "The last state of the valves is unknown: nobody may assume that they are closed."),
        ("cut", "the recorder or the whole machine failed"),
        ("cut", "The recording had been cut and was mended before this report was made"),
        ("contradicted", "Conductor and recording disagree"),
        ("void", "Declared void by Mira: somebody leaned on the table."),
        ("void", "dusty"),
        ("failed", "Compressed gas, moving masses and lithium cells can injure."),
    ],
)
def test_the_page_says_so(page, session, expected):
    assert expected in Page(page(session)).text


def test_a_page_of_a_session_that_agreed_says_that_too(page):
    assert "Both agree." in Page(page("passed")).text
    assert "Both agree." not in Page(page("contradicted")).text


def test_remarks_are_shown_and_cannot_inject_anything(sessions):
    folder = sessions("passed")
    add_note(Results(folder).notes, "<script>alert(1)</script> & more", "Mira", datetime(2026, 1, 2, tzinfo=UTC))
    text = make_report(folder).read_text()
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; more" in text
    assert "2026-01-02T00:00:00+00:00" in text


def test_the_same_recording_gives_the_same_page(sessions, page):
    assert page("retried") == make_report(sessions("retried")).read_text()


def test_what_was_planned_for_formations_is_listed_by_try(sessions, page):
    assert "How formations were planned" not in page("passed")
    recording = load(sessions("passed") / "recording")
    recording = with_events(recording, [planned(recording, 3.0), planned(recording, 4.0, tight=True)])
    page = render(recording, judge(recording), ending(recording), [])
    text = Page(page).text
    assert "0:03.0 hold, 1 formation wall of wren, siskin planned: 31 s, at least 0.64 m apart together" in text
    assert re.findall("<strong>(formation .*?)</strong>", page) == [
        "formation wall of wren, siskin planned: 31 s, at least 0.64 m apart, less than planned for"
    ]


def test_the_head_says_that_no_safety_filter_was_on_and_the_hatch_of_zones_is_there(tmp_path, page):
    assert NO_SAFETY_FILTER not in Page(page("passed")).text
    lab = short_plan()
    limits = SessionLimits(separation=SeparationLimit(guaranteed=False))
    zones = (KeepOutCircle(kind="circle", name="post", x=1.2, y=0.9, radius=0.1),)
    plan = lab.plan.model_copy(
        update={"limits": limits, "keep_out": zones, "runs": lab.plan.runs[:1], "objectives": ()}
    )
    write_session(tmp_path / "recording", replace(lab, plan=plan))
    text = make_report(tmp_path).read_text()
    found = Page(text)
    assert found.text.index(NO_SAFETY_FILTER) < found.text.index("Passed")
    assert len(found.identifiers) == len(set(found.identifiers))
    (hatch,) = set(re.findall(r"fill: url\(#([^)]+)\)", text))
    assert hatch in found.identifiers


def test_a_page_is_small(page):
    assert len(page("retried").encode()) < 10e6
