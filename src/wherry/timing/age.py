"""The age of what is kept up to date by deliveries: its average and its peaks.

Age at an instant is now minus the instant at which what is held was sampled. It grows by itself and falls with each
delivery: a saw-tooth. Here are its closed forms for a few queues (used to check what is computed otherwise), and its
average for deliveries that are known one by one.

``rho`` is the part of the time in which the server is busy; results are in units of the mean service time. Sources:
M/M/1, M/D/1 and D/M/1 as written out in the program pprandel/aoi-simulator (MIT), plota/old/compara_filas_analit.py;
M/M/1 with its peak also in Inoue, Masuyama, Takine, Tanaka, IEEE Transactions on Information Theory 65(12), 2019; Kaul,
Yates and Gruteser (INFOCOM 2012, from memory) were the first to ask for them. D/D/1 and sending without waiting follow
by integration.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import exp


def mm1(rho: float) -> float:
    """Updates and services at random (exponential), first in, first out: the average age."""
    return 1 + 1 / rho + rho**2 / (1 - rho)


def mm1_peak(rho: float) -> float:
    """The average peak of the same."""
    return 1 + 1 / rho + rho / (1 - rho)


def md1(rho: float) -> float:
    """Updates at random, services always alike."""
    return 1 / (2 * (1 - rho)) + 0.5 + (1 - rho) * exp(rho) / rho


def dm1(rho: float) -> float:
    """Updates at a fixed period, services at random."""
    beta = 0.0
    for _ in range(10_000):
        following = exp(-(1 - beta) / rho)
        if abs(following - beta) < 1e-15:
            break
        beta = following
    return 1 / (2 * rho) + 1 / (1 - beta)


def dd1(rho: float) -> float:
    """Updates at a fixed period, services always alike and shorter: half a period and the service."""
    return 1 / (2 * rho) + 1


def dd1_peak(rho: float) -> float:
    """The peak of the same: a period and the service."""
    return 1 / rho + 1


def zero_wait(mean: float, mean_square: float) -> float:
    """The next update is sampled when the one before it is delivered, given the mean service time and its square's."""
    return mean_square / (2 * mean) + mean


def average_age(deliveries: Sequence[tuple[int, int]]) -> float | None:
    """The average over time of the age between the first and the last of deliveries, given as instants of sampling and
    of arrival in the order of arrival; None for fewer than two."""
    if len(deliveries) < 2:
        return None
    area = 0.0
    for (sampled, arrived), (_, following) in pairwise(deliveries):
        span = following - arrived
        area += span * (arrived - sampled) + span * span / 2
    whole = deliveries[-1][1] - deliveries[0][1]
    return area / whole if whole else None


def peak_ages(deliveries: Sequence[tuple[int, int]]) -> list[int]:
    """The age just before each delivery but the first."""
    return [following - sampled for (sampled, _), (_, following) in pairwise(deliveries)]
