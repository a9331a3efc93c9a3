"""Which fuse carries the draw, by numbers alone, against references of its own: scipy's search for Huber's
estimate, integrals of the lognormal law, Bayes' rule."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from nightdraw.capture import correlation as cor
from nightdraw.capture import fuses as fz
from nightdraw.capture.correlation import Coincidence, OnTimes
from nightdraw.capture.fuses import Fuse, Verdict
from scipy import integrate, optimize, stats

LEVEL = np.array([340.0, 350.0, 360.0])


def looks(rng: np.random.Generator, ohms: float, count: int, idle: int, sigma: float = 0.02) -> Coincidence:
    """Rises and falls across a resistance, looks of differing spread, as many without an edge."""
    level = rng.uniform(300, 400, count)
    spread, still = rng.uniform(0.5, 2.0, count), rng.uniform(0.5, 2.0, idle)
    rise, fall = (ohms * level + rng.normal(0, sigma, count) * spread for _ in range(2))
    up, down = (rng.normal(0, sigma, idle) * still for _ in range(2))
    return Coincidence(rise, fall, level, spread, (up, down, still), count, float(level.sum()))


def huber(one: Coincidence, scale: float) -> float:
    """Where the sum of Huber's rho is least (scipy's search), each look by the noise that it lets through."""

    def loss(ohms: float) -> float:
        off = np.abs((one.rise + one.fall) / 2 - ohms * one.level_ma) / one.spread / scale
        return float(np.sum(np.where(off < 1.5, off**2 / 2, 1.5 * off - 1.5**2 / 2)))

    found = optimize.minimize_scalar(loss, bounds=(-0.01, 0.03), method="bounded", options={"xatol": 1e-12})
    return float(found.x)


@pytest.mark.parametrize("idle", [200, 19])
def test_the_resistance_is_hubers_estimate(seed: int, idle: int) -> None:
    """Some looks are spoilt by loads of the fuse's own. Fewer than 20 looks without an edge: the looks' own
    scatter stands for them."""
    rng = np.random.default_rng(seed)
    one = looks(rng, 0.0077, 60, idle)
    one.rise[:7] += 3.0
    one.fall[:7] += 3.0
    found = fz._resistance(one)
    assert found is not None
    still = (one.idle[0] + one.idle[1]) / 2 / one.idle[2]
    if idle < 20:
        plain = np.median((one.rise + one.fall) / 2 / one.level_ma)
        still = ((one.rise + one.fall) / 2 - plain * one.level_ma) / one.spread
    scale = np.median(np.abs(still - np.median(still))) / 0.6744897501960817
    assert found[0] == pytest.approx(huber(one, scale), rel=1e-4)
    assert found[0] == pytest.approx(0.0077, abs=6 * found[1])
    # M-estimate of a slope: E psi^2 / (E psi')^2 / sum x^2 (Huber 1964)
    psi = np.mean(np.minimum(np.abs(still), 1.5 * scale) ** 2)
    slope = np.mean(np.abs(still) <= 1.5 * scale)
    assert found[1] == pytest.approx(
        np.sqrt(psi / np.sum((one.level_ma / one.spread) ** 2)) / slope, rel=1e-3
    )
    assert found[2] == len(still)


@pytest.mark.parametrize(
    ("count", "idle", "known"), [(8, 0, True), (7, 19, False), (7, 20, True), (3, 0, False)]
)
def test_so_few_looks_say_nothing_of_chance(count: int, idle: int, known: bool) -> None:
    found = fz._resistance(looks(np.random.default_rng(1), 0.005, count, idle))
    assert (found is not None) is known
    if found is not None:
        assert found[2] == (idle if idle >= 20 else count)


def test_a_silent_recording_has_no_uncertainty_of_nothing() -> None:
    one = looks(np.random.default_rng(1), 0.005, 12, 30, sigma=0.0)
    found = fz._resistance(one)
    assert found is not None
    assert found[0] == pytest.approx(0.005)
    assert found[1] == 0.0


@pytest.mark.parametrize("known", [0.0077, None])
@pytest.mark.parametrize("ohms", [0.0, 0.001, 0.0035, 0.0077, 0.012])
def test_the_ratios_are_integrals_over_what_a_fuse_may_have(known: float | None, ohms: float) -> None:
    """scipy.integrate over the lognormal law of fuses of one rating (or over ratings, each ratio as likely);
    Student's t about each, widened by 5 % of it; noise and 3 % of a neighbour (or 0.2 mohm) else."""
    u, dof = 6e-4, 9.0
    leak = 0.03 * known if known else 2e-4
    nothing = stats.t.pdf(ohms, dof, 0.0, np.hypot(u, leak))

    def at(of_ohm: float) -> float:
        return float(stats.t.pdf(ohms, dof, of_ohm, np.hypot(u, 0.05 * of_ohm)))

    def carries(part: float) -> float:
        if known:
            whole, _ = integrate.quad(
                lambda z: stats.norm.pdf(z) * at(part * known * np.exp(0.25 * z)), -5, 5
            )
            return whole
        low, high = np.log(1.4e-3), np.log(0.13)
        return integrate.quad(lambda x: at(part * np.exp(x)), low, high, limit=200)[0] / (high - low)

    found, mixed = fz._ratios(ohms, u, known, dof)
    # 41 points, none beyond 2.3 deviations: where only the law's tail reaches, a factor of 1.5 is left
    tail = ohms < (0.007 if known else 0.003)
    assert found == pytest.approx(carries(1.0) / nothing, rel=0.5 if tail else 0.1)
    parts = np.mean([carries(part) for part in np.linspace(0.25, 0.9, 9)])
    assert mixed == pytest.approx(parts / nothing, rel=0.5 if tail else 0.1)


def judged(
    rows: dict[str, list[tuple[float, float, float]]], known: dict[str, float | None] | None = None
) -> fz.Culprit:
    fuses = [Fuse(name, (known or {}).get(name, 0.0077), "") for name in rows]
    return fz._judge(fuses, rows, LEVEL, [])


def test_recordings_of_one_fuse_are_weighed_by_their_variance() -> None:
    """3 and 9 milliohm, known to 1 and 2: (4 * 3 + 9) / 5 and 2 / sqrt(5)."""
    found = judged({"F1": [(0.003, 1e-3, 30.0), (0.009, 2e-3, 30.0)], "F2": [(0.0, 1e-3, 30.0)]})
    assert found.fuses[0].rise_mv == pytest.approx(0.0042 * 350)
    assert found.fuses[0].rise_u_mv == pytest.approx(2e-3 / np.sqrt(5) * 350)
    assert (found.events, found.level_ma) == (3, 350.0)


def test_confidences_are_bayes_rule_with_equal_priors(seed: int) -> None:
    """Of three fuses and none: each one's ratio over one and all ratios; a mixed one's against all."""
    rng = np.random.default_rng(seed)
    for _ in range(5):
        ohms = rng.choice([0.0, 0.002, 0.0035], 3) + rng.normal(0, 3e-4, 3)
        u = rng.uniform(5e-4, 1e-3, 3)
        looked = rng.integers(3, 200, 3)
        found = judged({f"F{k}": [(ohms[k], u[k], float(looked[k]))] for k in range(3)})
        weights = []
        for k in range(3):
            dof = min(max(looked[k] / 3, 4.0), 30.0)
            weights.append(fz._ratios(float(ohms[k]), float(u[k]), 0.0077, dof))
        carries = [weights[k][0] > 20 and ohms[k] > 3.5 * u[k] for k in range(3)]
        if sum(carries) > 1:
            continue
        mixed = sum(0.003 * weights[k][1] for k in range(3) if not carries[k])
        total = 1 + sum(w for w, _ in weights) + mixed
        assert found.none_of_these == pytest.approx(1 / total)
        for k in range(3):
            assert found.fuses[k].confidence == pytest.approx(weights[k][0] / total)
        assert any("moves with some of these pulses" in note for note in found.notes) is (
            mixed > 0.05 * total
        )


def test_a_fuse_that_was_not_looked_at_weighs_as_if_nothing_were_known() -> None:
    found = judged({"F1": [(0.0, 2e-4, 90.0)], "F2": []})
    assert found.fuses[1].confidence == pytest.approx(found.none_of_these)
    assert (found.fuses[1].rise_mv, found.fuses[1].rise_u_mv) == (0.0, 0.0)
    assert "F2: not one event could be looked at" in found.notes
    assert found.known is None


@pytest.mark.parametrize(
    ("unseen_ohm", "named"), [(0.0077, True), (0.0115, True), (0.0116, False), (None, False)]
)
def test_a_fuse_that_may_lie_behind_and_was_not_looked_at_keeps_the_name_back(
    unseen_ohm: float | None, named: bool
) -> None:
    """1.5 times the resistance of the one that carries the draw may lie behind it: 1 in 3 of unseen ones."""
    rows = {"F1": [(0.0077, 1e-4, 90.0)], "F2": []}
    found = judged(rows, {"F1": 0.0077, "F2": unseen_ohm})
    assert (found.name == "F1") is named
    assert any("may lie behind it" in note for note in found.notes) is not named


@pytest.mark.parametrize(
    ("known", "ohms", "carries", "behind", "feeds"),
    [
        ([0.002, 0.0077], [0.002, 0.0077], [0, 1], 1, [0]),
        ([0.0077, 0.002], [0.0077, 0.002], [0, 1], 0, [1]),
        ([0.004, 0.006], [0.0, 0.0], [0, 1], 1, [0]),
        ([0.004, 0.0059], [0.0, 0.0], [0, 1], None, []),
        ([None, 0.004], [0.009, 0.004], [0, 1], 0, [1]),
        ([0.02, 0.004], [0.02, 0.004], [1], 1, []),
        ([0.001, 0.002, 0.008], [0.0, 0.0, 0.0], [0, 1, 2], 2, [1, 0]),
        ([0.001], [0.001], [], None, []),
    ],
)
def test_of_some_in_a_row_the_largest_resistance_lies_behind(
    known: list[float | None], ohms: list[float], carries: list[int], behind: int | None, feeds: list[int]
) -> None:
    fuses = [Fuse(f"F{k}", ohm, "") for k, ohm in enumerate(known)]
    assert fz._in_a_row(fuses, np.array(ohms), np.array(carries, dtype=int)) == (behind, feeds)


def test_one_that_feeds_the_culprit_takes_nothing_of_its_confidence() -> None:
    found = judged(
        {"main": [(0.0019, 1e-5, 90.0)], "F7": [(0.0077, 1e-4, 90.0)]}, {"main": 0.0019, "F7": 0.0077}
    )
    assert found.name == "F7"
    assert [one.feeds for one in found.fuses] == [True, False]
    assert found.fuses[0].confidence == 0.0
    alike = judged({"F7": [(0.0077, 1e-4, 90.0)], "F8": [(0.0077, 1e-4, 90.0)]})
    assert alike.name is None
    assert "F7 and F8 carry the same draw alike" in alike.notes


@pytest.mark.parametrize(("ma", "said"), [(524, False), (526, True), (174, True), (176, False)])
def test_a_current_half_off_the_clamps_is_said(ma: float, said: bool) -> None:
    rise_mv = 0.0077 * ma
    one = Verdict(Fuse("F7", 0.0077, ""), rise_mv, 0.1, 0.99)
    assert bool(fz._remarks(one, 350.0)) is said
    assert one.current_ma == pytest.approx(ma)
    assert fz._remarks(Verdict(Fuse("F7", None, ""), rise_mv, 0.1, 0.99), 350.0) == []


def on_times(levels: list[float], seconds: float = 1.0) -> OnTimes:
    level = np.array(levels)
    start = np.arange(len(level)) * 10.0
    return OnTimes(
        start, start + seconds, level, level * seconds, start - 1, start + seconds, start, start + 2
    )


def test_the_draw_is_what_comes_back_in_most_recordings_then_what_has_most_energy() -> None:
    """Energy is level squared by time: ten short pulses of 300 mA outweigh a lamp's 100 mA of 20 times."""
    fault, lamp, once = [300.0] * 10, [100.0] * 20, [2000.0]
    for clamps, due in (
        ([fault + lamp + once, fault + lamp + once], 300.0),
        ([lamp + fault, lamp + fault, lamp], 300.0),  # two of three are most
        ([lamp + fault, lamp, lamp], 100.0),
        ([once + lamp, once + lamp], 100.0),
        ([[40.0, 40.0], [40.0, 40.0, 900.0]], 40.0),
    ):
        kind, draw = fz._draw([on_times(clamp) for clamp in clamps])
        assert [len(numbers) for numbers in kind] == [len(clamp) for clamp in clamps]
        for numbers, clamp in zip(kind, clamps, strict=True):
            assert [level == due for level in clamp] == (numbers == draw).tolist()


def test_a_clamp_that_hardly_ever_has_the_draw_by_itself_is_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Recordings of 100, 50 and 200 s with 40, 20 and N of the draw: a quarter of the usual rate will do."""
    for number, used in ((20, 3), (19, 2)):
        clamps = [
            SimpleNamespace(name=f"r{k}", length_s=length) for k, length in enumerate((100.0, 50.0, 200.0))
        ]
        events = dict(zip([id(c) for c in clamps], (40, 20, number), strict=True))
        monkeypatch.setattr(cor, "on_times", lambda c, events=events: on_times([300.0] * events[id(c)]))
        monkeypatch.setattr(fz, "see", lambda clamp: clamp)
        looked = list[str]()

        def coincidences(clamp, on, drop, kind, looked=looked):  # type: ignore[no-untyped-def]
            looked.append(clamp.name)
            return {0: looks(np.random.default_rng(1), 0.0077, len(on), 60)}

        monkeypatch.setattr(cor, "coincidences", coincidences)
        captures = [fz.Capture(c, (SimpleNamespace(channel="F1"),)) for c in clamps]  # type: ignore[arg-type]
        found = fz.culprit(captures, [Fuse("F1", 0.0077, "")])
        assert len(looked) == used
        assert found.name == "F1"
        assert found.events == 60 + number
        assert any("r2 left out" in note for note in found.notes) is (used == 2)
