"""What the days to come may bring: weighted draws of the time to a goal."""

from __future__ import annotations

from dataclasses import dataclass

from monitord.analysis.forecast.first_order_fit import quantile
from monitord.analysis.forecast.parameters import FORECAST
from monitord.model.series import Array, Flags


@dataclass(frozen=True)
class TimeToGoal:
    """Weighted draws of the days still to go; infinite is never, not even in the driest air of the weeks looked at."""

    days: Array
    weights: Array
    held_back: Flags
    """Per draw: the air allows no end below the goal."""
    flat: Flags
    """Per draw: hardly any of what remains goes in the next seven days (`stall_share_per_week`)."""
    by_air: Flags | None = None
    """Per draw: the air alone does not, whatever the location gives off itself; None where that is the same."""
    end: float | None = None
    """Where it would end in the present air, as what follows that air; None where that is no level."""

    def at(self, share: float) -> float:
        """Quantile, infinite beyond the horizon. [days]"""
        value = quantile(self.days, self.weights, share)
        return value if value <= FORECAST.horizon_d else float("inf")

    @property
    def never(self) -> float:
        """Probability that the goal is not reached within the horizon.

        Where outdoor air has a share, it must not get there even in the driest three days of the last month: else it is
        held back while this weather lasts, and no longer.
        """
        return float(self.weights[self.days > FORECAST.horizon_d].sum())

    @property
    def held(self) -> float:
        """Probability that the goal lies below what it is heading for."""
        return float(self.weights[self.held_back].sum())

    @property
    def held_by_air(self) -> float:
        """Probability that the goal lies below what the air alone would bring."""
        return float(self.weights[self.held_back if self.by_air is None else self.by_air].sum())

    @property
    def no_progress(self) -> float:
        """Probability that it hardly moves, whatever the cause."""
        return float(self.weights[self.flat].sum())
