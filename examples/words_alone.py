"""Weighs causes from a few words, as a forum helper would: `python examples/words_alone.py`.

The engine and its owner are invented. No clip is needed; with one, give
`smokecase.diagnose([smokecase.examine("start.mp4")], answers=...)`.
"""

import smokecase

TOLD = {
    "fuel": "diesel",
    "installation": "tractor",
    "smoke_colour": "white",
    "smoke_when": "cold_start",
    "coolant_loss": "dont_know",
    "temperature": "-3 degC",
}


def main() -> None:
    """Print the causes as a table, the next check, and what it would tell."""
    found = smokecase.diagnose(answers=TOLD)
    for row in found.to_table()[:5]:
        print(f"{100 * float(row['weight']):3.0f} %  {row['title']}")
    best = found.proposals[0]
    print(f"next: {best.question} ({best.minutes:.0f} min; {best.caution})")
    for outcome in best.outcomes:
        print(f"    {100 * outcome.chance:3.0f} %  {outcome.words}")


if __name__ == "__main__":
    main()
