#!/usr/bin/env python3
"""Set wearbench up beside this file, then run it; each command works first and alone.

    python3 start.py demo     make the invented demo study, analyse it, say where the report is
    python3 start.py tests    run every test

The set-up (a folder ``.venv`` from ``constraints.txt``) is made when it is missing or out of date. Anything after the
command is handed on: ``python3 start.py tests -k clock``. Only the standard library is used here, in words an old
Python can still read, so that it can say that it is too old.
"""

import hashlib
import importlib.util
import json
import os
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent
VENV = ROOT / ".venv"
STAMP = VENV / "set-up.json"
OLDEST = (3, 11)
COMMANDS = ("demo", "tests")


class SetUpError(Exception):
    """What stops the set-up, in words for the person who started it."""


def main(arguments):
    """Run one command and return its exit code."""
    if not arguments or arguments[0] not in COMMANDS:
        asked_for_help = bool(arguments) and arguments[0] in ("-h", "--help")
        print(__doc__.strip(), file=sys.stdout if asked_for_help else sys.stderr)
        return 0 if asked_for_help else 1
    command, rest = arguments[0], arguments[1:]
    try:
        check_python(sys.version_info, find=importlib.util.find_spec)
        set_up(extras=("dev",) if command == "tests" else ())
    except SetUpError as error:
        print(f"start.py: {error}", file=sys.stderr)
        return 1
    return run_tests(rest) if command == "tests" else run_demo(rest)


def check_python(version, *, find):
    """Stop with advice when this Python is too old or cannot make environments."""
    if tuple(version[:2]) < OLDEST:
        raise SetUpError(
            f"expected Python {OLDEST[0]}.{OLDEST[1]} or later, this is {version[0]}.{version[1]} ({sys.executable}). "
            f"Start it with a newer one, for example 'python{OLDEST[0]}.{OLDEST[1]} start.py demo'."
        )
    missing = [name for name in ("venv", "ensurepip") if find(name) is None]
    if missing:
        raise SetUpError(
            f"expected Python's modules venv and ensurepip, {sys.executable} has no {' and no '.join(missing)}. "
            "On Debian or Ubuntu: 'sudo apt install python3-venv'; elsewhere install the full Python."
        )


def wanted(extras):
    """Return what a finished set-up must have been made from."""
    digest = hashlib.sha256()
    for name in ("pyproject.toml", "constraints.txt"):
        digest.update((ROOT / name).read_bytes().replace(b"\r\n", b"\n"))
    return {"inputs": digest.hexdigest(), "root": str(ROOT), "extras": sorted(extras)}


def recorded():
    """Return what the present set-up was made from; empty when there is none or it was not finished."""
    try:
        found = json.loads(STAMP.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def usable():
    """Tell whether the environment's own Python runs, is new enough and has pip, whichever Python made it."""
    program = tool("python")
    check = f"import pip, ssl, subprocess, sys; sys.exit(sys.version_info[:2] < {OLDEST})"
    return program.exists() and not subprocess.call(
        [str(program), "-c", check], env=clean_environment(), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )


def set_up(extras):
    """Make or renew the environment unless the one there was made from the same files."""
    want, have = wanted(extras), recorded()
    here = have.get("root", want["root"]) == want["root"]  # a folder that was moved has programs that point back
    enough = set(want["extras"]) <= set(have.get("extras", []))
    if have and here and have.get("inputs") == want["inputs"] and enough and tool("python").exists():
        return
    want["extras"] = sorted(set(want["extras"]) | set(have.get("extras", [])))
    began = time.monotonic()
    print(f"Setting up {VENV} (once; one to three minutes, needs a network).", flush=True)
    STAMP.unlink(missing_ok=True)
    if not (here and usable()):
        make = [sys.executable, "-m", "venv", "--clear", str(VENV)]
        if subprocess.call(make, env=clean_environment()):
            raise SetUpError(f"could not make the environment {VENV}; the lines above say why.")
    install(want["extras"])
    STAMP.write_text(json.dumps(want, indent=1) + "\n", encoding="utf-8")
    print(f"Set up in {time.monotonic() - began:.0f} s.", flush=True)


def install(extras):
    """Install the project and its dependencies as pinned, byte-compiled."""
    target = "." + ("[" + ",".join(extras) + "]" if extras else "")
    pip = [str(tool("python")), "-m", "pip", "--disable-pip-version-check", "install", "--compile"]
    quiet = [] if sys.stdout.isatty() else ["--quiet"]
    environment = clean_environment()
    if subprocess.call([*pip, *quiet, "-c", "constraints.txt", "-e", target], cwd=str(ROOT), env=environment):
        raise SetUpError(
            "pip could not install the packages; the lines above say why. Without a network, fetch them once where "
            "there is one, with "
            f"'pip download -c constraints.txt -d wheels hatchling editables \"{target}\"', then set PIP_NO_INDEX=1 "
            "and PIP_FIND_LINKS to that folder and start again. Once set up, nothing needs a network."
        )
    compile_all = [str(tool("python")), "-m", "compileall", "-q", str(ROOT / "src")]
    subprocess.call(compile_all, env=environment)  # a speed-up only: a folder that cannot be written costs nothing


def clean_environment():
    """Return the environment without what would make Python or pip look outside ``.venv``."""
    unwanted = ("PYTHONHOME", "PYTHONPATH", "PIP_USER", "PIP_TARGET", "PIP_PREFIX")
    return {name: value for name, value in os.environ.items() if name not in unwanted}


def tool(name):
    """Return the path of a program of the environment."""
    if os.name == "nt":
        return VENV / "Scripts" / (name + ".exe")
    return VENV / "bin" / name


def run_demo(rest):
    """Run ``wearbench demo``, into the folder ``demo`` beside this file unless the person names one."""
    folder = ROOT / "demo"
    arguments = rest or [str(folder)]
    code = subprocess.call([str(tool("wearbench")), "demo", *arguments], env=clean_environment())
    report = folder / "results" / "report.html"
    if not rest and report.exists():
        print(f"Open the report: {report.as_uri()}")
    return code


def run_tests(rest):
    """Run pytest over the whole project."""
    return subprocess.call([str(tool("python")), "-m", "pytest", *rest], cwd=str(ROOT), env=clean_environment())


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit(130)
