"""Writes docs/questions.md: what a crew asks, the command that answers it, and the answer on the demo.

Usage: ``python -m tests.questions_page > docs/questions.md``; takes some minutes.
"""

from __future__ import annotations

import contextlib
import io
import shlex
import sys

from optimizer import cli

DEMO = "catalogs_demo/thrennel_flat"
CAUTION = "\nCaution\n-------"
QUESTIONS: tuple[tuple[str, str], ...] = (
    ("Cheapest way past the record and its margin on ordinary salt?", f"budget {DEMO} --target record"),
    ("Still true if it is soft, or firm?", f"salts {DEMO} --top 1"),
    ("Is a set of lighter wheels worth more than a final drive?", f'compare {DEMO} "front wheels=W21" F11'),
    ("What would that used gearset have to cost before we buy it?", f"why-not {DEMO} G07"),
    ("Why isn't my favorite in the list, and what would bring it in?", f"why-not {DEMO} T26"),
    ("We own the 15s: does the answer change?", f"why-not {DEMO} T28"),
    ("$1,500 this winter, $2,100 next: what first, so nothing is thrown away?",
     f"buy-order {DEMO} --spend 1500 --spend 2100"),
    ("Where is the tach at the last board? Does it fall on its face on the last shift?", f"predict {DEMO} G09 E02"),
    ("An inch lower on shorter tires: do we lose it on gearing?",
     f"compare {DEMO} 1 'front tires=T10,front wheels=W07'"),
    ("Three really different builds, not one car with three pads?", f"shortlist {DEMO} --count 3"),
    ("What would have to be true for plan B to beat plan A?", f"compare {DEMO} 1 5"),
    ("A pair of tires is on offer: what are they worth to us?",
     (f"""try {DEMO} --part 'tire X1 size="165/55R14 72H" "mass=12 lb" price=$70 "rolling coefficient=0.0068" """
      """"max pressure=51 psi" made=1027 category=road'""")),
    ("Why is this the best, part by part?", f"why {DEMO}"),
    ("Will the record fall?", f"odds {DEMO} --builds 1,now"),
    ("Which build is most likely to take it?", f"rank {DEMO} --for record"),
    ("Which unknown matters most, and what test settles it?", f"measure {DEMO}"),
    ("Which spares do we bring?", f"bring {DEMO} --spares 2"),
    ("How much faster with more money?", f"budget {DEMO} --from 1200 --to 3600"),
)  # fmt: skip
OPEN = (
    (
        "What does going over a speed bracket drag in?",
        (
            "`rank` and `budget` count the equipment in the price and cap builds without it; no command shows both "
            "sides of a bracket beside each other. `budget` with a target below and above it does so in two steps."
        ),
    ),
    (
        "Still true if it is hot, or there is a headwind?",
        (
            "`card` says what one build does in hot air and in wind; which build is then the best takes other weather "
            "in event.toml."
        ),
    ),
)


def answer(command: str) -> str:
    """What a command writes, without the caution."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        code = cli.run(shlex.split(command))
    if code:
        sys.exit(f"saltmile {command}: exit code {code}")
    return out.getvalue().split(CAUTION)[0].rstrip()


def main() -> None:
    """Write the page."""
    lines = [
        "# Questions a crew asks", "",
        (
            "Written by `python -m tests.questions_page` on the demo, whose car, lake and parts are invented. Every "
            "answer ends with the caution, which is left out here: a prediction is not permission to run."
        ), "",
    ]  # fmt: skip
    for number, (question, command) in enumerate(QUESTIONS, 1):
        lines += [f"## {number}. {question}", "", f"    saltmile {command}", "", "```text", answer(command), "```", ""]
        print(f"{number} of {len(QUESTIONS)}", file=sys.stderr)
    lines += ["## What no command answers yet", ""]
    lines += [f"- {question} {text[0].upper()}{text[1:]}" for question, text in OPEN]
    print("\n".join(lines))


if __name__ == "__main__":
    main()
