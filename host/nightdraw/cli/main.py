"""The command `nightdraw`: it finds the noun's module, runs it, and shows whatever went wrong.

The only place that turns errors into words and exit statuses. It imports no package of the work itself.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import traceback
from collections.abc import Sequence
from typing import Any

import click

from nightdraw import __version__, extras
from nightdraw.cli import output
from nightdraw.cli.lazy import Lazy
from nightdraw.errors import (
    EXIT_CANNOT_TELL,
    EXIT_DONE,
    EXIT_INPUT,
    EXIT_INTERRUPTED,
    Finding,
    NightdrawError,
)

TRACEBACK_VARIABLE = "NIGHTDRAW_TRACEBACK"  # set by whoever looks for a defect of Nightdraw itself

# name -> (module, attribute, one line for `nightdraw --help`); the module is imported when the noun is used.
NOUNS = {
    "demo": (
        "nightdraw.cli.demo",
        "command",
        "The whole job once: asked, did, seen, and whether they agree.",
    ),
    "profile": ("nightdraw.cli.profile", "group", "Check a drain profile, and see what it will do."),
    "box": ("nightdraw.cli.box", "group", "Find, install, load, arm and read back a box."),
    "bench": ("nightdraw.cli.bench", "group", "Run the box's own firmware on a simulated bench."),
    "capture": (
        "nightdraw.cli.capture",
        "group",
        "Measure recordings, and compare them with what was asked.",
    ),
    "lesson": ("nightdraw.cli.lesson", "group", "Plan a lesson, load its boxes, mark what groups found."),
    "bank": ("nightdraw.cli.bank", "group", "Size the load bank, and see that it won't burn."),
}


# Asked to end: by the system, or with the terminal (which Windows doesn't know)
ENDINGS = tuple(getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name))


@click.group(
    cls=Lazy,
    rows=NOUNS,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110},
)
@click.version_option(__version__, prog_name="nightdraw", message="%(prog)s %(version)s")
def cli() -> None:
    """Prepare, run, prove and mark lessons with the Nightdraw load box.

    Exit status: 0 done or yes, 1 the answer is no, 2 the input or the call is wrong, 3 can't tell,
    130 interrupted. Every command that reports takes --json.
    """


def main(argv: Sequence[str] | None = None) -> None:
    """Run the command line and end the process with the command's exit status."""
    for number in ENDINGS:
        if signal.getsignal(number) is signal.SIG_DFL:  # else somebody wants it ignored
            signal.signal(number, _end)
    sys.exit(run(sys.argv[1:] if argv is None else argv))


def _end(number: int, frame: object) -> None:
    """Leave as after Ctrl-C, so that nothing half-written stays behind."""
    raise KeyboardInterrupt


def run(argv: Sequence[str]) -> int:
    """Run one command line; returns the exit status, after showing what went wrong if anything did."""
    try:
        status: Any = cli.main(args=list(argv), prog_name="nightdraw", standalone_mode=False)
        return status if isinstance(status, int) else EXIT_DONE
    except output.UnwritableError as error:
        return _show(error.findings, EXIT_INPUT, ())  # no document: it would go the same way
    except NightdrawError as error:
        return _show(error.findings, error.exit_status, argv)
    except click.ClickException as error:
        return _show([_misuse(error)], EXIT_INPUT, argv)
    except (click.Abort, KeyboardInterrupt) as error:
        notes = getattr(error.__cause__ or error, "__notes__", ())  # click makes an Abort of Ctrl-C
        return _show([Finding("; ".join(["interrupted", *notes]))], EXIT_INTERRUPTED, argv)
    except BrokenPipeError:
        output.silence()
        return EXIT_INTERRUPTED
    except OSError as error:
        return _show([_system_finding(error)], EXIT_INPUT, argv)
    except ModuleNotFoundError as error:
        finding = extras.explained(error, next(iter(argv), ""))
        if finding is None:
            return _show([_defect(error)], EXIT_CANNOT_TELL, argv)
        return _show([finding], EXIT_INPUT, argv)
    except Exception as error:
        return _show([_defect(error)], EXIT_CANNOT_TELL, argv)


def _show(findings: Sequence[Finding], status: int, argv: Sequence[str]) -> int:
    """Print the findings: one document on standard output, or one line each on standard error."""
    if _wants_json(argv):
        try:
            output.say(output.dumps({"errors": [finding.document() for finding in findings]}))
            return status
        except output.UnwritableError:
            pass  # nothing takes the document: whoever looks at standard error is to know why
    with contextlib.suppress(OSError):
        for finding in findings:
            click.echo(finding.text(), err=True)
    return status


def _wants_json(argv: Sequence[str]) -> bool:
    """Whether --json was given: read from the words, for click stops at the first misuse it meets."""
    words = list(argv)
    return "--json" in (words[: words.index("--")] if "--" in words else words)


def _misuse(error: click.ClickException) -> Finding:
    context = error.ctx if isinstance(error, click.UsageError) else None
    if isinstance(error, click.exceptions.NoArgsIsHelpError) and context is not None:
        return Finding(f"{context.command_path} needs a command\n\n{context.get_help()}")
    message = error.format_message()
    if context is None:
        return Finding(message)
    return Finding(message, hint=f"see: {context.command_path} --help")


def _system_finding(error: OSError) -> Finding:
    """What the operating system refused, with the file it was about."""
    file = error.filename if isinstance(error.filename, str) else None
    return Finding(error.strerror or str(error) or type(error).__name__, file=file)


def _defect(error: Exception) -> Finding:
    if os.environ.get(TRACEBACK_VARIABLE):
        traceback.print_exc()
    what = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
    hint = f"set {TRACEBACK_VARIABLE}=1 to see where"
    return Finding(f"a defect of Nightdraw itself, no answer was reached: {what}", hint=hint)
