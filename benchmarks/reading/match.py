"""The reader's table against the program's calls.

    python -m benchmarks.reading.match --windows    writes windows.csv: each called episode and as many uncalled
                                                    stretches, shuffled, without the calls, for the reader to judge
    python -m benchmarks.reading.match              compares, and writes table.md

``stretches.csv`` is what a reader who had not seen the calls marked as wrong, from the pictures of
``benchmarks.reading.pictures`` alone: session, first and last stamp (seconds after 09:00:00), what, reason.
``judged.csv`` is the same reader's answer for each window of ``windows.csv``.
"""

from __future__ import annotations

import csv
import sys
from collections import Counter
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

import numpy as np

from benchmarks.reading.pictures import SESSIONS, STUDY, readings

HERE = Path(__file__).resolve().parent
SEED: Final = 20_310_501
DEVICE: Final = "optical"
MEANS: Final = {
    "half": {"halved"},
    "double": {"doubled"},
    "ratio": {"off_ratio"},
    "cadence": {"cadence_locked"},
    "stuck": {"frozen"},
    "off": {"astray"},
}
"""What the reader's words are called by the program."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Stretch:
    """Stamps ``first_s`` to ``last_s`` (both included), and what they show."""

    session: str
    first_s: float
    last_s: float
    what: str
    why: str
    name: str = ""

    def stamps(self) -> set[tuple[str, float]]:
        """Each reading of the stretch."""
        inside = (t for t, _ in readings(self.session, DEVICE) if self.first_s <= t <= self.last_s)
        return {(self.session, t) for t in inside}


def called() -> tuple[list[Stretch], dict[tuple[str, float], str]]:
    """Episodes of the program, and the state of each reading; the stamps are the readings' own.

    ``between`` claims no failure: where windows overlap as here (8 s every 2 s), up to four readings on the way from
    one mode to another have it.
    """
    from wearbench.analysis import run_study
    from wearbench.study import load_study

    results = run_study(load_study(STUDY))
    rows = {row["id"]: row for row in results.document["episodes"] if row["device"] == DEVICE}
    found = []
    pairs = results.pairs.filter(device=DEVICE).select("session", "time", "state")
    states = {
        (session, (at - at.replace(hour=9, minute=0, second=0)).total_seconds()): state or "not judged"
        for session, at, state in pairs.iter_rows()
    }
    for episode, row in rows.items():
        stamps: list[datetime] = results.pairs.filter(device=DEVICE, episode=episode)["time"].sort().to_list()
        if row["state"] in ("between", "missing") or not stamps:
            continue
        began = stamps[0].replace(hour=9, minute=0, second=0)
        first, last = ((at - began).total_seconds() for at in (stamps[0], stamps[-1]))
        what = row["state"] + (f" (also {row['also']})" if row["also"] else "")
        found.append(Stretch(session=row["session"], first_s=first, last_s=last, what=what, why="", name=f"{episode}"))
    return found, states


def table(name: str) -> list[Stretch]:
    """Read one of the reader's tables."""
    with (HERE / name).open(encoding="utf-8", newline="") as file:
        return [
            Stretch(
                session=row["session"],
                first_s=float(row["first_s"]),
                last_s=float(row["last_s"]),
                what=row["what"],
                why=row["why"],
            )
            for row in csv.DictReader(file)
        ]


def write_windows(calls: list[Stretch]) -> None:
    """Each called episode and as many stretches of the same lengths in which nothing was called, shuffled."""
    rng = np.random.Generator(np.random.PCG64(SEED))
    taken = set().union(*(call.stamps() for call in calls))
    windows = [(c.session, c.first_s, c.last_s) for c in calls]
    for call in calls:
        length = call.last_s - call.first_s
        for _ in range(500):
            session = SESSIONS[int(rng.integers(len(SESSIONS)))]
            stamps = [t for t, _ in readings(session, DEVICE)]
            first = stamps[int(rng.integers(len(stamps)))]
            free = Stretch(session=session, first_s=first, last_s=first + length, what="", why="").stamps()
            if free and first + length <= stamps[-1] and not free & taken:
                windows.append((session, first, first + length))
                taken |= free
                break
    order = rng.permutation(len(windows))
    with (HERE / "windows.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(("session", "first_s", "last_s"))
        writer.writerows(windows[i] for i in order)


def same(call: Stretch, what: str) -> bool:
    """Whether the reader's word and the program's state are one; either of two that cannot be told apart will do."""
    states = {call.what.split(" ")[0], *([call.what.split("also ")[1].rstrip(")")] if "also" in call.what else [])}
    return any(states & MEANS.get(word.strip(), set()) for word in what.split("/"))


def compare(
    calls: list[Stretch], states: dict[tuple[str, float], str], judged: list[Stretch], marked: list[Stretch]
) -> str:
    """Verdict on each called episode, then what was marked and not called, as Markdown."""
    answers = {(j.session, j.first_s, j.last_s): j for j in judged}
    lines = [
        "| episode | session | seconds | called | reader | verdict | the reader's reason |",
        "|---|---|---|---|---|---|---|",
    ]
    count: Counter[str] = Counter()
    for call in sorted(calls, key=lambda c: (c.session, c.first_s)):
        answer = answers.get((call.session, call.first_s, call.last_s))
        if answer is None:
            verdict, what, why = "not read", "", ""
        else:
            what, why = answer.what, answer.why
            words = what.split("/")
            verdict = "true" if same(call, what) else "true, of another kind"
            if "right" in words:  # also where the reader would let either pass
                verdict = "false" if len(words) == 1 else "undecided"
        count[verdict] += 1
        where = f"{call.first_s:.0f} to {call.last_s:.0f}"
        lines.append(f"| {call.name} | {call.session} | {where} | {call.what} | {what} | {verdict} | {why} |")
    stamps = set().union(*(call.stamps() for call in calls))
    for one in marked:
        mine = one.stamps()
        if mine & stamps:
            continue
        count["missed"] += 1
        said = ", ".join(dict.fromkeys(states[key] for key in sorted(mine)))
        where = f"{one.first_s:.0f} to {one.last_s:.0f}"
        lines.append(f"| | {one.session} | {where} | ({said}) | {one.what} | missed | {one.why} |")
    controls = [j for key, j in answers.items() if key not in {(c.session, c.first_s, c.last_s) for c in calls}]
    right = sum(j.what == "right" for j in controls)
    wrong = set().union(*(one.stamps() for one in marked)) if marked else set()
    every = {(s, t) for s in SESSIONS for t, _ in readings(s, DEVICE)}
    counts = ", ".join(f"{n} {verdict}" for verdict, n in sorted(count.items()))
    both, only_called, only_read = len(stamps & wrong), len(stamps - wrong), len(wrong - stamps)
    head = (
        f"Episodes: {counts}. Of {len(controls)} stretches in which nothing was called, mixed among them, the reader "
        f"took {right} for right. Reading by reading, of {len(every)}: both wrong {both}, called only {only_called}, "
        f"marked only {only_read}, neither {len(every) - both - only_called - only_read}."
    )
    return head + "\n\n" + "\n".join(lines) + "\n"


def main(arguments: list[str]) -> None:
    """Write the windows, or compare."""
    calls, states = called()
    if "--windows" in arguments:
        write_windows(calls)
        return
    body = compare(calls, states, table("judged.csv"), table("stretches.csv"))
    heading = (
        "# The treadmill recordings, read by eye\n\nWritten by `python -m benchmarks.reading.match`. The reader saw "
        "the raw traces (`benchmarks.reading.pictures`) and not what the program calls: first marked every stretch in "
        "which the optical estimate looked wrong, then judged a shuffled list of called and uncalled stretches.\n\n"
    )
    (HERE / "table.md").write_text(heading + body, encoding="utf-8")
    print(body)


if __name__ == "__main__":
    main(sys.argv[1:])
