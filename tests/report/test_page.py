"""The page in a real browser, wide and narrow: nothing fetched, nothing run but its own script, every way to
zoom and move, and a spike that stays."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from nightdraw.report import chart as ch
from nightdraw.report import page

from tests.report import browser as br

HOSTILE = "</script><script>document.title='taken'</script><img src=x onerror=\"document.title='taken'\">'"
RATE_HZ, LENGTH_S, SPIKE_S = 1000, 400.0, 333.333
needs_chromium = pytest.mark.skipif(br.PROGRAM is None, reason="needs chromium (Debian: apt-get install it)")
pytestmark = needs_chromium


def chart() -> ch.Chart:
    """Pulses of 700 ms every 40 s and one sample at 3 A; a fuse that is pulled; names that attack."""
    t_s = np.arange(int(RATE_HZ * LENGTH_S)) / RATE_HZ
    rng = np.random.default_rng(7)
    starts = np.arange(10.0, LENGTH_S, 40.0)
    high = ((t_s - 10) % 40 < 0.7) & (t_s >= 10)
    ma = 40 + 350.0 * high + rng.normal(0, 1, len(t_s))
    ma[round(SPIKE_S * RATE_HZ)] = 3000.0
    mv = np.where((t_s > 100) & (t_s < 130), 12_500.0, 0.0077 * ma + rng.normal(0, 0.02, len(t_s)))
    strips = []
    for name, unit, value in (("clamp", "mA", ma), (HOSTILE, "mV", mv)):
        whole, near = ch.Decimator(4096), ch.Decimator()
        whole.add(t_s, value)
        near.add(t_s[9500:11_200], value[9500:11_200])
        strips.append(
            ch.Strip(
                name,
                unit,
                whole.band(),
                (near.band(),),
                ((0.0, 40.0), (LENGTH_S, 40.0)) if unit == "mA" else None,
            )
        )
    shown = ch.histogram("durations", np.full(len(starts), 0.7))
    assert shown is not None
    return ch.Chart(
        HOSTILE, HOSTILE, tuple(strips), 0.0, LENGTH_S,
        pulses=tuple(ch.PulseMark(float(start), 0.7, 350.0) for start in starts),
        events=((100.0, f"pull {HOSTILE}"), (130.0, "back F7")),
        histograms=(shown,), facts=(("note", HOSTILE),),
    )  # fmt: skip


@pytest.fixture(scope="module")
def browser() -> Iterator[br.Browser]:
    one = br.Browser()
    yield one
    one.close()


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "page.html"
    page.write(path, chart())
    return path


def view(browser: br.Browser) -> tuple[float, float]:
    browser.settle()
    begin, end = browser.script("[view.from, view.to]")
    return begin, end


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("width", [1280, 400])
def test_it_opens_from_a_file_and_fits(browser: br.Browser, file: Path, width: int, dark: bool) -> None:
    browser.open(file, width, dark)
    assert browser.complaints() == []
    assert browser.script("document.title").startswith("</script>"), "the name stands as text"
    assert browser.script("document.images.length") == 0
    assert browser.script("document.documentElement.scrollWidth") <= width
    low, high = browser.script("[strips[0].reach[0], strips[1].reach[1]]")
    assert low <= 0
    assert high < 100, "12.5 V of an open socket don't flatten 3 mV"
    inks = browser.script(
        "(() => { const c = canvas.getContext('2d'), n = {};"
        "const d = c.getImageData(0, 0, canvas.width, canvas.height).data;"
        "for (let i = 0; i < d.length; i += 4) if (d[i + 3] > 200) n[[d[i], d[i+1], d[i+2]]] = 1;"
        "return Object.keys(n).length; })()"
    )
    assert inks >= 4, "ink of both strips, marks and text"


def test_nothing_comes_from_outside(file: Path) -> None:
    text = file.read_text()
    assert "default-src 'none'" in text
    assert text.count("<script") == 2, "the data and the page's own"
    assert not any(mark in text for mark in ("http://", "https://", "@import", "url("))


def test_a_single_sample_stays_at_every_zoom(browser: br.Browser, file: Path) -> None:
    browser.open(file)
    for half_s in (200.0, 50.0, 5.0, 0.6):
        browser.script(f"show({SPIKE_S} - {half_s}, {SPIKE_S} + {half_s})")
        begin, end = view(browser)
        assert browser.script(f"extremes(strips[0], {begin}, {end})")[1] == 3000


def test_labels_are_those_of_the_still_picture(browser: br.Browser, file: Path) -> None:
    browser.open(file)
    for span_s in (0.004, 0.7, 9.0, 100.0, 300.0, 5000.0, 20_000.0, 90_000.0, 700_000.0):
        for begin_s in (0.0, 61.3, 3600.0):
            at_s, step_s = ch.ticks(begin_s, begin_s + span_s, 9)
            wanted = [ch.label(t_s, step_s, begin_s + span_s) for t_s in at_s]
            said = (
                f"(({{found, step}}) => found.map(t => label(t, step, {begin_s + span_s})))"
                f"(ticksOf({begin_s}, {begin_s + span_s}, 9))"
            )
            assert browser.script(said) == wanted


def test_the_wheel_zooms_about_the_pointer_and_a_drag_moves(browser: br.Browser, file: Path) -> None:
    browser.open(file)
    x, y = browser.script("(r => [r.left + r.width / 2, r.top + 80])(plot.getBoundingClientRect())")
    at_s = browser.script(f"timeAt({x} - plot.getBoundingClientRect().left)")
    browser.mouse("mouseWheel", x, y, deltaX=0, deltaY=-400)
    begin, end = view(browser)
    assert end - begin < 150
    assert browser.script(f"timeAt({x} - plot.getBoundingClientRect().left)") == pytest.approx(at_s, abs=0.01)
    browser.mouse("mousePressed", x, y, button="left", clickCount=1)
    browser.mouse("mouseMoved", x - 100, y, button="left", buttons=1)
    browser.mouse("mouseReleased", x - 100, y, button="left")
    assert view(browser)[0] > begin + 1
    assert view(browser)[1] - view(browser)[0] == pytest.approx(end - begin)
    browser.mouse("mousePressed", x - 200, y, button="left", modifiers=8)
    browser.mouse("mouseMoved", x, y, button="left", buttons=1, modifiers=8)
    browser.mouse("mouseReleased", x, y, button="left", modifiers=8)
    assert view(browser)[1] - view(browser)[0] < (end - begin) / 3


def test_two_fingers_zoom_and_one_moves(browser: br.Browser, file: Path) -> None:
    browser.open(file, 400)
    x, y = browser.script("(r => [r.left + r.width / 2, r.top + 80])(plot.getBoundingClientRect())")
    browser.touch("touchStart", (x - 20, y), (x + 20, y))
    browser.touch("touchMove", (x - 100, y), (x + 100, y))
    browser.touch("touchEnd")
    begin, end = view(browser)
    assert end - begin == pytest.approx(LENGTH_S / 5, rel=0.1)
    browser.touch("touchStart", (x, y))
    browser.touch("touchMove", (x - 60, y))
    browser.touch("touchMove", (x - 80, y))
    browser.touch("touchEnd")
    assert view(browser)[0] > begin + 1


def test_every_key_and_button_does_what_it_says(browser: br.Browser, file: Path) -> None:
    browser.open(file)
    browser.script("plot.focus()")
    browser.key("+")
    begin, end = view(browser)
    assert end - begin == pytest.approx(LENGTH_S / 1.6, rel=0.01)
    browser.key("ArrowLeft")
    assert view(browser)[0] < begin
    browser.key("0")
    assert view(browser) == pytest.approx((0.0, LENGTH_S), abs=0.1)
    browser.script("document.getElementById('next').click()")
    begin, end = view(browser)
    assert browser.script("height.value") == "view"
    pulse_s = 210.0  # the first after the middle
    assert begin < pulse_s < pulse_s + 0.7 < end < begin + 2
    browser.key("p")
    assert view(browser)[0] < 170 < view(browser)[1]
    browser.key("v")
    assert browser.script("height.value") == "usual"
    assert browser.script("document.getElementById('view').textContent").count("min") == 2
    unnamed = "[...document.querySelectorAll('button, select, [tabindex]')].filter(e => e.tabIndex >= 0 &&"
    unnamed += " !e.textContent.trim() && !e.getAttribute('aria-label')).length"
    assert browser.script(unnamed) == 0


def test_what_the_marks_mean_is_said_where_there_are_any(file: Path, tmp_path: Path) -> None:
    meaning = "Green bars mark pulses"
    assert meaning in file.read_text("utf-8")
    bare = tmp_path / "bare.html"
    page.write(bare, replace(chart(), pulses=()))
    assert meaning not in bare.read_text("utf-8")


def test_motion_only_for_whoever_wants_it(browser: br.Browser, file: Path) -> None:
    browser.open(file, calm=True)
    assert browser.script("(KEYS['+'](), view.to - view.from)") == pytest.approx(250.0)
    browser.open(file, calm=False)
    assert browser.script("(KEYS['+'](), view.to - view.from)") == pytest.approx(LENGTH_S)
    browser.script("new Promise(done => setTimeout(done, 2 * GLIDE_MS))")
    assert browser.script("view.to - view.from") == pytest.approx(250.0)
