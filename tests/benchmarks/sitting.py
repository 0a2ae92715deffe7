"""Questions one after the other in one sitting, and each by itself: python -m tests.benchmarks.sitting [QUESTION ...].

Prints one JSON document: seconds of each question both ways, what the sitting takes of the time, and whether answers
are the same but for what was run for them.
"""

from __future__ import annotations

import json
import shlex
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from tests.test_sitting import PROMPT, decided

FOLDER = Path(__file__).parent.parent.parent / "catalogs_demo" / "thrennel_flat"
QUESTIONS = (
    "rank", "why", "why-not T07", "why-not W03", "budget", "budget --target record", "rank --budget 3000",
    "rank --without T10", "compare 1 2", "shortlist", "buy-order --spend 1500 --spend 1500", "purchase", "odds",
)  # fmt: skip
NOTHING = "nothing"
"""What cannot be asked: its echo shows that the answer before it has ended."""
PROGRAM = (sys.executable, "-m", "optimizer.cli")


def in_a_sitting(questions: tuple[str, ...]) -> Iterator[tuple[float, str]]:
    """Seconds and answer of each question; the start counts with the first."""
    begun = time.perf_counter()
    command = [*PROGRAM, "ask", str(FOLDER)]
    with subprocess.Popen(  # noqa: S603
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, bufsize=1
    ) as sitting:
        assert sitting.stdin is not None
        assert sitting.stdout is not None
        for question in questions:
            sitting.stdin.write(f"{question}\n{NOTHING}\n")
            sitting.stdin.flush()
            lines = []
            while (line := sitting.stdout.readline()) != f"{PROMPT}{NOTHING}\n":
                lines.append(line)
            yield time.perf_counter() - begun, "".join(lines[1:])
            begun = time.perf_counter()


def alone(question: str) -> tuple[float, str]:
    """Seconds and answer of one question by itself."""
    name, *rest = shlex.split(question)
    begun = time.perf_counter()
    done = subprocess.run([*PROGRAM, name, str(FOLDER), *rest], capture_output=True, text=True, check=True)  # noqa: S603
    return time.perf_counter() - begun, done.stdout


def main(questions: tuple[str, ...]) -> None:
    """Time all questions both ways."""
    found = []
    for question, (beside, told) in zip(questions, in_a_sitting(questions), strict=True):
        by_itself, said = alone(question)
        found.append({
            "question": question, "alone_s": round(by_itself, 2), "in_sitting_s": round(beside, 2),
            "ratio": round(beside / by_itself, 2), "same": decided(told) == decided(said),
        })  # fmt: skip
        print(found[-1], file=sys.stderr)
    every = sum(each["in_sitting_s"] for each in found) / sum(each["alone_s"] for each in found)
    print(json.dumps({"folder": FOLDER.name, "questions": found, "ratio": round(every, 2)}, indent=1))


if __name__ == "__main__":
    main(tuple(sys.argv[1:]) or QUESTIONS)
