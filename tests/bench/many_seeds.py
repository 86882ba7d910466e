"""How forecasts of simulated fleets keep their promise over many seeds: ``python -m tests.bench.many_seeds correct``.

Prints one row for each triple of seeds, raw and recalibrated, then their mean, their spread and how many triples miss
the targets of the forecast method, section 8.
"""

from __future__ import annotations

import argparse

import numpy as np

from tests.bench.direct import run
from tests.bench.scores import joined
from tests.bench.simulated_fleet import SCENARIOS

COLUMNS = ("coverage", "below", "above", "CRPS skill", "MAE skill")
KINDS = ("raw ", "")


def missed(row: dict[str, float], kind: str) -> bool:
    """Whether the gates for wear as the model has it are missed."""
    coverage, below, above, crps_skill, mae_skill = (row[kind + name] for name in COLUMNS)
    tails = 0.07 <= below <= 0.13 and 0.07 <= above <= 0.13
    return not (0.78 <= coverage <= 0.82 and tails and crps_skill >= 0.54 and mae_skill >= 0.36)


def text(values: list[float]) -> str:
    """Figures of one row."""
    return "  ".join(f"{value:6.3f}" for value in values)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("scenario", choices=SCENARIOS)
    parser.add_argument("--triples", type=int, default=5)
    parser.add_argument("--first", type=int, default=1001, help="first seed")
    parser.add_argument("--learned", type=int, default=40, help="tools to learn from")
    asked = parser.parse_args()
    rows = []
    print("seeds          raw: " + "  ".join(COLUMNS) + "   as answered: the same")
    for first in range(asked.first, asked.first + 3 * asked.triples, 3):
        row = joined([run(seed, asked.scenario, asked.learned) for seed in range(first, first + 3)]).row()
        rows.append(row)
        figures = " | ".join(text([row[kind + name] for name in COLUMNS]) for kind in KINDS)
        print(f"{asked.scenario} {first}-{first + 2}: {figures}", flush=True)
    for what, of in (("mean", np.mean), ("spread", np.std)):
        figures = " | ".join(text([float(of([r[k + n] for r in rows])) for n in COLUMNS]) for k in KINDS)
        print(f"{asked.scenario} {what}: {figures}")
    print("targets missed: " + ", ".join(f"{k or 'as answered '}{sum(missed(r, k) for r in rows)}" for k in KINDS))


if __name__ == "__main__":
    main()
