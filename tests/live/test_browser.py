"""The page in a real browser: it fits, is accessible, works by keyboard, and leads to the right fuse."""

from __future__ import annotations

import contextlib
import json
import time
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from nightdraw import data
from nightdraw.bank.parts import blade_fuses as blades
from nightdraw.cli import main
from nightdraw.lesson.planfile import load_plan
from nightdraw.live.server import LiveServer
from nightdraw.vehicle import load_vehicle

from tests.lesson import made_lesson as made
from tests.live.made import case
from tests.live.serving import PATIENCE_S, Talk, running, serving
from tests.live.test_lesson import search
from tests.live.test_lesson import server as of_plan
from tests.report import browser as br

pytestmark = pytest.mark.skipif(br.PROGRAM is None, reason="needs chromium (Debian: apt-get install it)")
BOXES = (("telematics-search", "tailgate"), ("ticking-valve", "blower"))
AXE = (files("axe_core_python") / "axe.min.js").read_text("utf-8")


@pytest.fixture(scope="module")
def browser() -> Iterator[br.Browser]:
    one = br.Browser()
    yield one
    one.close()


@pytest.fixture(scope="module")
def served() -> Iterator[LiveServer]:
    with serving(case(*BOXES), speed=60) as server:
        yield server


class Hand:
    """Somebody at the page: reads it, clicks by what stands on a button, chooses by what stands beside."""

    def __init__(self, browser: br.Browser, url: str, width: int = 1280, dark: bool = False) -> None:
        self.browser = browser
        browser.visit(url, width, dark)
        self.until("document.body && document.body.dataset.ready")

    def until(self, condition: str) -> None:
        """Wait until a condition holds in the page."""
        until = time.monotonic() + PATIENCE_S
        while not self.browser.script(f"Boolean({condition})"):
            assert time.monotonic() < until, condition
            self.browser.settle()

    def click(self, name: str) -> None:
        """Click the button of this accessible name, or this text."""
        text = json.dumps(name)
        self.browser.script(
            f"[...document.querySelectorAll('button')].find(b => !b.hidden && !b.disabled && "
            f"(b.getAttribute('aria-label') || b.textContent) === {text}).click()"
        )

    def choose(self, label: str, value: str) -> None:
        """Choose a value in the control with this label."""
        self.browser.script(
            "(() => { const one = [...document.querySelectorAll('select, input')].find(c => (c.ariaLabel || "
            f"(c.labels[0] || c).textContent).startsWith({json.dumps(label)}));"
            f"one.value = {json.dumps(value)}; one.dispatchEvent(new Event('input', {{bubbles: true}}));"
            "one.dispatchEvent(new Event('change', {bubbles: true})); })()"
        )

    def now(self) -> dict[str, Any]:
        """What the page was told last."""
        return self.browser.script("now")

    def waited(self, name: str = "Wait") -> None:
        """Let time run ahead, and wait for its end."""
        said = self.browser.script("now.messages.length && now.messages.at(-1).join()")
        self.click(name)
        self.until(
            f"now.waits === null && now.messages.length && now.messages.at(-1).join() !== {json.dumps(said)}"
        )

    def reading(self) -> float:
        """A reading of the millivolt leads, mV: the third since they were put where they are."""
        self.until("now.shown.leads && now.shown.leads.count >= 3")
        return float(self.now()["shown"]["leads"]["now"])


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("width", [1280, 400])
def test_it_fits_and_an_outside_tool_finds_no_barrier(
    browser: br.Browser, served: LiveServer, width: int, dark: bool
) -> None:
    url = served.url(served.rooms[0])
    hand = Hand(browser, url, width, dark)
    for name, value in (("around", "battery"), ("Input 1", "clamp 1"), ("Input 2", "F7")):
        hand.choose(name, value)
        browser.settle()
    hand.until("now.recorder.inputs.length || now.recorder.recording")
    if not hand.now()["recorder"].get("recording"):
        hand.click("Record")
    hand.until("screen.strips.length === now.recorder.inputs.length && screen.plot.end_s > 5")
    foreign = [text for text in browser.complaints() if not text.startswith(url)]
    assert foreign == []
    assert browser.script("document.documentElement.scrollWidth") <= width
    assert clipped(browser) == []
    assert barriers(browser) == []


def clipped(browser: br.Browser) -> list[str]:
    """The hints in empty fields that are longer than their field."""
    found: list[str] = browser.script(
        "(() => { const draw = document.createElement('canvas').getContext('2d');"
        "return [...document.querySelectorAll('input[placeholder]')].filter(one => {"
        "const style = getComputedStyle(one); draw.font = style.font;"
        "const room = one.clientWidth - parseFloat(style.paddingLeft) - parseFloat(style.paddingRight);"
        "return draw.measureText(one.placeholder).width > room; }).map(one => one.placeholder); })()"
    )
    return found


def barriers(browser: br.Browser) -> list[str]:
    """What axe finds in the page."""
    browser.script(AXE)
    found: list[str] = browser.script(
        "axe.run({resultTypes: ['violations']}).then(r => r.violations.map(v => v.id + ': ' + "
        "v.nodes.map(n => n.target.join(' ')).slice(0, 3).join(' | ')))"
    )
    return found


@pytest.fixture(scope="module")
def taught(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LiveServer]:
    """A plan's groups, one of which has searched."""
    with pytest.MonkeyPatch.context() as patch:
        folder = tmp_path_factory.mktemp("taught")
        patch.chdir(folder)
        plan = load_plan(made.write(folder))
        server = of_plan()
        with running(server):  # in that folder: the quickest ways are worked out when they are asked for
            talk = Talk(server.url(server.rooms[0]))
            search(talk, plan.assignments[0].fuse)
            talk.close()
            yield server


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("width", [1280, 400])
def test_the_instructors_page_fits_has_no_barrier_and_tells_moves_in_words(
    browser: br.Browser, taught: LiveServer, width: int, dark: bool
) -> None:
    hand = Hand(browser, taught.overview_url(), width, dark)
    quickest = "[...document.querySelectorAll('h3')].filter(e => e.textContent.startsWith('quickest')).length"
    hand.until(f"{quickest} === 3")
    browser.script("document.querySelector('summary').click()")
    browser.settle()
    said = browser.script("document.querySelector('.log').textContent")
    for text in ("clamp 1 round battery", "recorder's inputs: clamp 1, F", "findings handed in"):
        assert text in said
    assert "{" not in said
    assert browser.script("document.documentElement.scrollWidth") <= width
    assert barriers(browser) == []
    own = taught.overview_url().rsplit("/", 1)[0]
    assert [text for text in browser.complaints() if not text.startswith(own)] == []


def test_everything_can_be_done_by_keyboard(browser: br.Browser) -> None:
    with serving(case(*BOXES), speed=1) as server:
        hand = Hand(browser, server.url(server.rooms[0]))
        seen: list[str] = []
        for _ in range(120):
            browser.key("Tab")
            name = browser.script(
                "(e => e === document.body ? '' : e.ariaLabel || (e.labels && e.labels[0] || e).textContent)"
                "(document.activeElement)"
            )
            if not name:
                break
            seen.append(name.strip())
            if name in ("Pull F5", "Open the door", "mV leads across F7"):
                browser.key(" ")
        controls = browser.script(
            "[...document.querySelectorAll('button, select, input, a[href], [tabindex=\"0\"], summary')]"
            ".filter(e => !e.disabled && e.checkVisibility()).length"
        )
        assert len(seen) >= controls
        hand.until("now.door && now.pulled.includes('F5') && now.places.leads === 'F7'")
        assert browser.script("getComputedStyle(document.querySelector('.door')).transitionDuration") in (
            "0s",
            "",
        )


def test_what_the_page_shows_is_what_the_vehicle_has(browser: br.Browser) -> None:
    with serving(case(*BOXES), speed=60) as server:
        hand = Hand(browser, server.url(server.rooms[0]))
        hand.choose("around", "battery")
        hand.choose("across", "F7")
        hand.until("now.places['clamp 1'] && now.places.leads")
        hand.choose("Input 1", "clamp 1")
        hand.choose("Input 2", "F10")
        hand.until("now.recorder.inputs.length === 2")
        hand.click("Record")
        hand.until("now.recorder.recording && now.recorder.recording.count > 90000")
        hand.click("Stop recording")
        hand.until("!now.recorder.recording.running")
        hand.until("screen.plot && Math.round(screen.plot.end_s * 1000) + 1 === now.recorder.recording.count")
        hand.click("Whole")
        hand.until("screen.plot.begin_s === 0 && screen.plot.for_s > 80")
        (seat,) = server.seats.seats.values()
        recording = seat.live.recording
        assert recording is not None
        edges, numbers = browser.script("[screen.plot.edges_s, Array.from(screen.plot.numbers)]")
        rows = np.array(numbers).reshape(2, 2, -1)
        samples = recording.trace.read(0, recording.count)
        places = np.round(np.array(edges) * 1000).astype(int)
        for k in range(rows.shape[2]):
            part = samples[:, places[k] : places[k + 1]]
            assert np.allclose(rows[:, 0, k], part.min(axis=1), rtol=1e-6)
            assert np.allclose(rows[:, 1, k], part.max(axis=1), rtol=1e-6)
        hand.click("Record")  # it is seen as wide as the chooser says, however wide the last one was
        hand.until("screen.view.for_s === 60 && screen.view.from_s === null")
        hand.choose("speed", "1")
        hand.until("now.speed === 1")
        texts, shown = browser.script(
            "[[...document.querySelectorAll('.reading strong')].map(e => e.textContent), now.shown]"
        )
        assert texts[1] == f"{shown['clamp 1']['now']:.0f} mA"
        assert texts[2] == f"{shown['leads']['now']:.2f} mV"
        browser.script("document.body.dataset.old = 'yes'")
        browser.call("Page.reload")
        fresh = "document.body && document.body.dataset.ready && !document.body.dataset.old"
        hand.until(
            f"{fresh} && now.recorder.recording && document.querySelector('[aria-label=\"Input 2\"]').value"
        )
        assert hand.now()["places"] == {"clamp 1": "battery", "leads": "F7"}
        assert browser.script("document.querySelector('[aria-label=\"Input 2\"]').value") == "F10"


def steady(hand: Hand, tmp_path: Path, fuses: list[str]) -> str:
    """Millivolt leads across fuse after fuse: what flows is what they show by the fuse's cold resistance.

    Pulling fuses would wake the vehicle (common practice: measure across them)."""
    hand.choose("speed", "10")
    of = {fuse.name: fuse for fuse in load_vehicle(data.shipped("vehicles", "vehicle-1")).fuses}
    flows = {}
    for fuse in fuses:
        hand.choose("across", fuse)
        hand.until(f"now.places.leads === {json.dumps(fuse)}")
        mohm, _ = blades.cold_mohm(of[fuse].type, of[fuse].rating_a)
        assert mohm is not None
        flows[fuse] = 1000 * hand.reading() / mohm
    return max(flows, key=lambda fuse: flows[fuse])


def pulsed(hand: Hand, tmp_path: Path, fuses: list[str]) -> str:
    """Record the clamp beside three fuses at a time, and let capture say which fuse moves with it."""
    hand.choose("how long", "900")
    recorded = []
    for first in range(0, len(fuses), 3):
        chosen = fuses[first : first + 3]
        for k, place in enumerate(["clamp 1", *chosen, *[""] * (3 - len(chosen))], start=1):
            hand.choose(f"Input {k}", place)
        hand.until(f"now.recorder.inputs.length === {1 + len(chosen)}")
        hand.choose("rate", "200")
        hand.click("Record")
        hand.until("now.recorder.recording && now.recorder.recording.running")
        hand.waited()
        hand.click("Stop recording")
        hand.until("!now.recorder.recording.running")
        text = hand.browser.script("fetch(saves.csv.href).then(r => r.text())")
        path = tmp_path / f"set-{first}.csv"
        path.write_text(text)
        recorded.append(path)
    ratings = hand.browser.script(
        "scene.feeds.flatMap(f => f.fuses.map(x => `${x.fuse}:${x.rating}A-${x.type}`))"
    )
    words = [
        "capture",
        "culprit",
        *map(str, recorded),
        "--current",
        "battery",
        "--fuses",
        ",".join(ratings),
        "--json",
    ]
    out = tmp_path / "culprit.json"
    with out.open("w") as stream, contextlib.redirect_stdout(stream):
        status = main.run(words)
    assert status == 0
    return str(json.loads(out.read_text())["culprit"]).removesuffix("_mv")


@pytest.mark.campaign
@pytest.mark.parametrize(("group", "way"), [("g2", steady), ("g1", pulsed), ("g3", pulsed)])
def test_a_whole_search_from_a_sleeping_vehicle_to_the_right_fuse(
    browser: br.Browser, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, group: str, way: Any
) -> None:
    monkeypatch.chdir(tmp_path)
    one = load_plan(made.write(tmp_path)).assignment(group)
    server = of_plan(groups=(group,), speed=60.0, answers=str(tmp_path / "answers"))
    with running(server):
        hand = Hand(browser, server.url(server.rooms[0]))
        hand.choose("around", "battery")
        hand.until("now.places['clamp 1']")
        hand.choose("how long", "900")
        hand.waited()  # modules fall asleep
        found = way(hand, tmp_path, [fuse.name for fuse in server.rooms[0].case.vehicle.fuses])
        assert found == one.fuse
        hand.choose("Which circuit", found)
        hand.click("Hand in")
        hand.until("now.answered")
    kept = json.loads((tmp_path / "answers" / f"answer-{group}.json").read_text())
    assert kept["circuit"] == one.fuse
    assert kept["moves"][-1]["do"] == "answer"
