"""Write every stored model anew, after a change of a formula that is meant: python -m tests.lp.regenerate.

Read the difference before keeping it: these files are what a change of a constraint is seen by.
"""

from tests.lp.cases import CASES, stored, written

if __name__ == "__main__":
    for case in CASES:
        stored(case).write_text(written(case), encoding="utf-8")
        print(stored(case).name)
