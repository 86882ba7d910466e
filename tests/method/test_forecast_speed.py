"""Speed of forecasts on one core; run by hand with ``-m bench``."""

import time

import numpy as np
import pytest

from tests.method.test_first_passage import population
from worker.method.first_passage import reached
from worker.method.passage_never import never_reached
from worker.method.passage_quantile import quantiles


@pytest.mark.bench
@pytest.mark.parametrize(("kind", "per_second"), [("typical", 1e5), ("at limit", 1.5e4)])
def test_forecasts_per_second(kind, per_second):
    """10, 50 and 90 % points, P(never) and a survival: 1e5 a second in service, 1.5e4 at the limit."""
    gap = population(50_000, seed=1, kind=kind)
    taken = []
    for _ in range(3):
        begin = time.process_time()
        quantiles(gap, [0.1, 0.5, 0.9])
        never_reached(gap)
        reached(gap, 3.0)
        taken.append(time.process_time() - begin)
    rate = gap.shape[0] / np.median(taken)
    print(f"{kind}: {rate:.3g} forecasts/s")
    assert rate > per_second
