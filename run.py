"""Set-up for a machine that has Python and nothing else: `python run.py demo | test | bench | nightdraw ...`.

Only the standard library, and only syntax that an old Python can still read far enough to be told so. It
makes the environment in .venv with what the command needs, keeps it while pyproject.toml stays the same,
runs, and passes the status on. What the tests run on is pinned by tests/lock.txt: one state has one verdict.
"""

import hashlib
import json
import os
import shutil
import subprocess
import sys

HERE = os.path.dirname(os.path.abspath(__file__))
VENV = os.path.join(HERE, ".venv")
READY = os.path.join(VENV, "nightdraw-ready.json")  # written last: without it .venv was never finished
LOCK = os.path.join(HERE, "tests", "lock.txt")
OLDEST = (3, 11)
SIGNAL_BASE = 128  # a shell's way of saying that a process ended by a signal
INTERRUPTED = 130
MISUSE = 2
# over all cores; a file's tests share what they set up; in the order that tests/conftest.py gives them
SPREAD = ["-n", "auto", "--dist", "loadfile", "--no-loadscope-reorder"]

USAGE = """usage: python run.py COMMAND [ARGUMENTS]

  demo [ARGUMENTS]       the whole job once: asked, did and seen, in one picture
  test [ARGUMENTS]       lint, types and all tests; the arguments go to pytest (test -k pulse)
  campaigns [ARGUMENTS]  the long random campaigns at their whole counts, of which CI makes a part
  bench [ARGUMENTS]      benchmarks, printed as ratios
  nightdraw ARGUMENTS    any other command of the program (nightdraw profile check FILE)
  newest [ARGUMENTS]     test with the newest of every package: what differs from the lock, what breaks
"""

# What each noun of the program needs beyond the base: extras of pyproject.toml.
NEEDS = {
    "demo": ["report"],
    "profile": [],
    "box": [],
    "bench": ["bench"],
    "capture": ["bench"],
    "bank": ["hardware"],
    "lesson": ["bench", "report"],
}
DRAWING = ("plot", "view", "--plot")  # words that ask for a picture
SERVING = ["bench", "live"]  # the command that serves a page


def main(words):
    """Run one command; returns the exit status."""
    if sys.version_info < OLDEST:
        found = ".".join(str(part) for part in sys.version_info[:3])
        say("Nightdraw needs Python %d.%d or later, this is %s (%s)" % (OLDEST + (found, sys.executable)))
        return MISUSE
    if not words or words[0] not in COMMANDS:
        help_wanted = bool(words) and words[0] in ("-h", "--help", "help")
        (sys.stdout if help_wanted else sys.stderr).write(USAGE)
        return 0 if help_wanted else MISUSE
    extras, action = COMMANDS[words[0]]
    try:
        status = 0 if extras is None else prepare(extras(words[1:]))
        return status or action(words[1:])
    except KeyboardInterrupt:
        return INTERRUPTED


def demo(arguments):
    """The demo, out of the environment."""
    return nightdraw(["demo"] + arguments)


def nightdraw(arguments):
    """Any command of the program."""
    return call([python(), "-m", "nightdraw"] + arguments)


def bench(arguments):
    """The benchmarks, from the top of the project."""
    return call([python(), "-m", "tests.benchmarks"] + arguments, cwd=HERE)


def test(arguments):
    """Lint, layout, types and tests: all of them, whichever fails; the first failing status is the answer."""
    by_hand = ("-n", "--numprocesses", "--pdb", "no:xdist")
    spread_by_hand = any(argument.startswith(by_hand) for argument in arguments)
    workers = [] if spread_by_hand else SPREAD
    steps = (
        ("lint", ["ruff", "check", "."]),
        ("layout", ["ruff", "format", "--check", "."]),
        ("types", ["mypy"]),
        ("tests", ["pytest"] + workers + arguments),
    )
    failed = []
    for name, step in steps:
        say("%s: %s" % (name, " ".join(step)))
        status = call([python(), "-m"] + step, cwd=HERE)
        if status:
            failed.append((name, status))
    for name, status in failed:
        say("%s failed (status %d)" % (name, status))
    return failed[0][1] if failed else 0


def campaigns(arguments):
    """The long random campaigns, all of each: what stated rates come from (tests/counts.py)."""
    os.environ["NIGHTDRAW_WHOLE_CAMPAIGNS"] = "1"
    spread = [] if any(argument.startswith("-n") for argument in arguments) else SPREAD
    return call([python(), "-m", "pytest", "-m", "campaign", "-s"] + spread + arguments, cwd=HERE)


def newest(arguments):
    """The tests with the newest of everything, in .venv-newest: what differs from the lock, what breaks."""
    global VENV  # all that follows works in that environment
    VENV = os.path.join(HERE, ".venv-newest")
    status = call([sys.executable, "-m", "venv", "--clear", VENV])
    status = status or pip(["--upgrade", "-e", HERE + "[test]"]) or install_typings()
    if status:
        return status
    for line in differing():
        say(line)
    return test(arguments)


def differing():
    """A line for each package of the environment whose release is none of the lock's."""
    listed = subprocess.check_output([python(), "-m", "pip", "list", "--format=json"])
    pinned = pins()
    lines = []
    for package in json.loads(listed.decode()):
        name = package["name"].lower().replace("_", "-").replace(".", "-")
        known = pinned.get(name, [])
        if known and package["version"] not in known:
            lines.append("%s %s, the lock has %s" % (name, package["version"], " or ".join(known)))
    return lines or ["every package is the lock's"]


def pins():
    """The releases that the lock names, by package: several where they depend on the Python."""
    found = {}
    with open(LOCK) as file:
        for line in file:
            name, equals, rest = line.partition("==")
            if equals and not line.startswith((" ", "#")):
                found.setdefault(name, []).append(rest.split()[0])
    return found


def needed(arguments):
    """The extras that a command line of the program needs."""
    noun = arguments[0] if arguments else ""
    drawing = any(word in DRAWING for word in arguments)
    serving = arguments[:2] == SERVING
    return NEEDS.get(noun, []) + (["report"] if drawing else []) + (["live"] if serving else [])


# command -> (the extras that it needs by its arguments, None: it sees to that itself; what it does)
COMMANDS = {
    "demo": (lambda arguments: needed(["demo"]), demo),
    "test": (lambda arguments: ["test"], test),
    "campaigns": (lambda arguments: ["test"], campaigns),
    "bench": (lambda arguments: ["test"], bench),
    "nightdraw": (needed, nightdraw),
    "newest": (None, newest),
}


def prepare(wanted):
    """Make .venv fit for the wanted extras unless it is already; returns 0 or the failing step's status."""
    known = ready()
    had = set(known.get("extras", ()))
    extras = sorted(had | set(wanted))
    mark = fingerprint("test" in extras)
    if known.get("fingerprint") == mark and ("test" in had or had >= set(wanted)):
        return 0
    say("making the environment in .venv (needs the network; a minute or two, once)")
    if os.path.exists(READY):
        os.remove(READY)
    status = 0 if usable() else call([sys.executable, "-m", "venv", "--clear", VENV])
    if status:
        say("python -m venv failed; some systems keep it in a package of its own (python3-venv)")
        return status
    status = install(extras)
    if status:
        return status
    with open(READY, "w") as file:
        json.dump({"fingerprint": mark, "extras": extras}, file)
    return 0


def install(extras):
    """Put the project with its extras into .venv: what the tests run on by the lock; returns pip's status."""
    if "test" not in extras:
        return pip(["-e", HERE + ("[%s]" % ",".join(extras) if extras else "")])
    return (
        pip(["--require-hashes", "-r", LOCK])
        or pip(["--no-deps", "--no-build-isolation", "-e", HERE])
        or install_typings()
    )


def install_typings():
    """Put the board's stubs where only who asks for them sees them; returns pip's status."""
    import tomllib  # younger than the oldest Python that may read this file

    with open(os.path.join(HERE, "pyproject.toml"), "rb") as file:
        stubs = tomllib.load(file).get("dependency-groups", {}).get("typings", [])
    target = os.path.join(VENV, "typings")
    shutil.rmtree(target, ignore_errors=True)
    return pip(["--no-deps", "--target", target] + stubs) if stubs else 0


def pip(words):
    """Install with the environment's pip; returns its status."""
    status = call([python(), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"] + words)
    if status:
        say("the packages could not be installed; what pip says stands above")
    return status


def fingerprint(locked):
    """What the environment depends on: the declaration, the lock, the place, the Python that made it."""
    seen = hashlib.sha256()
    for path in [os.path.join(HERE, "pyproject.toml")] + ([LOCK] if locked else []):
        with open(path, "rb") as file:
            seen.update(file.read())
    seen.update(("%s %s %s" % (HERE, sys.version, sys.prefix)).encode())
    return seen.hexdigest()


def ready():
    """What the finished environment holds; an empty dict where there is none."""
    try:
        with open(READY) as file:
            return json.load(file)
    except (OSError, ValueError):
        return {}


def usable():
    """True where .venv has a Python of this very version that starts and has pip."""
    check = "import sys, pip; sys.exit(sys.version != %r)" % sys.version
    try:
        return subprocess.call([python(), "-c", check], stderr=subprocess.DEVNULL) == 0
    except OSError:
        return False


def python():
    """The environment's own Python."""
    folder, name = ("Scripts", "python.exe") if os.name == "nt" else ("bin", "python")
    return os.path.join(VENV, folder, name)


def call(words, cwd=None):
    """Run a program to its end; returns its status, a shell's number where a signal ended it."""
    status = subprocess.call(words, cwd=cwd)
    return status if status >= 0 else SIGNAL_BASE - status


def say(text):
    """One line for people, out of the way of what the command prints."""
    sys.stderr.write("run.py: %s\n" % text)
    sys.stderr.flush()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
