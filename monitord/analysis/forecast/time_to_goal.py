"""What the days to come may bring: weighted draws of the time to a goal."""

from __future__ import annotations

from dataclasses import dataclass

from monitord.analysis.forecast.first_order_fit import quantile
from monitord.analysis.parameters import ASSESSMENT
from monitord.model.series import Array, Flags


@dataclass(frozen=True)
class TimeToGoal:
    """Weighted draws of the days still to go; infinite is never, not even in the driest air of the weeks looked at."""

    days: Array
    weights: Array
    flat: Flags
    """Per draw: hardly any of what remains goes in the next seven days (`stall_share_per_week`) in the air of now."""
    held: Flags
    """Per draw: nor does it in the air of ten days, which alone, without what the location gives off, would not do."""
    end: float | None = None
    """Where it would end in the present air, as what follows that air; None where that is no level."""
    not_in_time: Flags | None = None
    """Per draw: what "never" goes by; None: by its days."""

    def at(self, share: float) -> float:
        """Quantile, infinite beyond the horizon. [days]"""
        value = quantile(self.days, self.weights, share)
        return value if value <= ASSESSMENT.horizon_d else float("inf")

    @property
    def never(self) -> float:
        """Probability that the goal is not reached within the horizon.

        Where outdoor air has a share, it must not get there even in the driest three days of the last month: else it is
        held back while this weather lasts, and no longer.
        """
        late = self.days > ASSESSMENT.horizon_d if self.not_in_time is None else self.not_in_time
        return float(self.weights[late].sum())

    @property
    def held_by_air(self) -> float:
        """Probability that it hardly moves in the coming week and that the air of late would not end below the goal."""
        return float(self.weights[self.held].sum())

    @property
    def no_progress(self) -> float:
        """Probability that it hardly moves in the coming week, whatever the cause, in the air of now."""
        return float(self.weights[self.flat].sum())
