"""`capture replay`: a recorded fault as a profile, proven on the bench. Parse, call, print."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nightdraw import outputs
from nightdraw.cli import output
from nightdraw.cli.bench_vehicle import note
from nightdraw.cli.target import target
from nightdraw.errors import EXIT_DONE, EXIT_NO

if TYPE_CHECKING:
    from nightdraw.capture.read import Recording
    from nightdraw.capture.replay import Proof, Replay

RATE_HZ, MOST_SAMPLES = 1000, 4_000_000  # of the proof's recording


def replay(
    recording: Recording, out: str | None, board: str | None, error: float, name: str | None, as_json: bool
) -> None:
    """Make the profile, play it on the bench, compare, print."""
    from nightdraw import programs
    from nightdraw.board import load_board
    from nightdraw.capture import replay as rep
    from nightdraw.profile import load

    model = load_board(board)
    source = Path(recording.name)
    path = target(source.with_suffix(".replay.yaml") if out is None else out, [source])
    played = target(path.with_suffix(".proof.csv"), [source])
    with output.progress("reading", 1) as shown:
        recording.on_progress = shown.reach
        made = rep.replay(recording, model.bank(), model.supply_nominal_mv, error)
    if made.dips:
        note(f"{made.dips} levels lie below the base: a load can't replay them")
    text = made.text(name or rep.slug(source.stem), source.name, model.caps["run_ticks"])
    outputs.write(path, text.encode())
    profile = load(path, board)
    for remark in profile.notes:
        note(f"{remark.text()} (no error)")
    found, same = _play(profile, made, board, played)
    agree = same and found.agrees(error, made.peak_ma)
    document = {
        "profile": str(path),
        "draws": len(profile.draws),
        "levels": len(made.merged()),
        "bytes": len(programs.pack(profile.program())),
        "charge_error_pct": round(100 * found.charge_error, 4),
        "edge_error_ms": None if found.edge_s is None else round(1e3 * found.edge_s, 4),
        "level_error_ma": round(found.level_error_ma, 4),
        "proof": {"recording": str(played), "agree": agree},
    }
    output.finish(document, _text(document, made, agree), as_json, EXIT_DONE if agree else EXIT_NO)


def _play(profile: Any, made: Replay, board: str | None, played: Path) -> tuple[Proof, bool]:
    """Run one round on the bench; what a clamp saw is held against the recording, and compared with the
    profile and the journal as `capture compare` does."""
    from nightdraw.bench.record import RecordingRequest
    from nightdraw.bench.record import record as run_it
    from nightdraw.bench.setup import build
    from nightdraw.capture import compare as comparing
    from nightdraw.capture import replay as rep
    from nightdraw.capture.journal import read_did
    from nightdraw.capture.read import open_recording

    ticks = sum(made.ticks)
    rate_hz = min(RATE_HZ, max(int(MOST_SAMPLES / made.length_s), 1))
    wanted = RecordingRequest(ticks, profile.seed, Fraction(rate_hz), out=played)
    with output.progress("simulating", ticks) as shown:
        done = run_it(profile.program(), build(board, None, (), profile.seed), wanted, note, shown.reach)
    asked = comparing.Asked(profile.program(), 1, profile.board.own_ua)
    assert done.journal is not None  # a recording has a journal beside it
    did = read_did(done.journal)
    held = comparing.compare(asked, did, open_recording(played), comparing.Place(shared=False))
    for difference in held.differences:
        note(f"the proof differs: {difference.message}")
    return rep.proof(made, open_recording(played), profile.board.own_ua / 1e3), held.agree is True


def _text(document: dict[str, Any], made: Replay, agree: bool) -> str:
    edges = document["edge_error_ms"]
    follows = "it follows" if agree else "it does NOT follow"
    return "\n".join(
        (
            f"{document['profile']}: {document['levels']} levels in {made.length_s:.4g} s, "
            f"{document['bytes']} bytes; a base of {made.base_ma:.4g} mA is left out",
            f"played on the bench: charge off by {document['charge_error_pct']:.2g} %, edges by "
            + ("more than can be matched" if edges is None else f"{edges:.2g} ms at most")
            + f", levels by {document['level_error_ma']:.3g} mA rms: {follows} the recording",
            "Check the profile and its limits before it goes into a vehicle; the cautions of its card hold.",
        )
    )
