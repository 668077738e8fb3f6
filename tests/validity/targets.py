"""What the bench of validity has to show: the bounds, in one place, and which of them are not met."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tests.validity.figures import Figure
from tests.validity.scenarios import GRID, Scenario

#: Standard errors by which a figure may lie beyond its bound by chance.
CHANCE = 2.0


@dataclass(frozen=True, kw_only=True)
class Target:
    """A bound of a column.

    Attributes:
        column: its name.
        applies: whether a scenario has to keep it.
        scenarios: the same in words.
        lowest: lowest share that will do [%].
        highest: highest share that will do [%].
    """

    column: str
    applies: Callable[[Scenario], bool]
    scenarios: str
    lowest: float = 0.0
    highest: float = 100.0

    def is_missed(self, figure: Figure, chance: float = CHANCE) -> bool:
        """Whether a figure lies beyond the bound by more than so many standard errors."""
        return figure.value + chance * figure.error < self.lowest or figure.value - chance * figure.error > self.highest

    def __str__(self) -> str:
        bound = f"at least {self.lowest:g} %" if self.lowest else f"at most {self.highest:g} %"
        return f"*{self.column}*, {self.scenarios}: {bound}"


def _is_in_grid(scenario: Scenario) -> bool:
    return scenario in GRID


def _topic(*topics: str) -> Callable[[Scenario], bool]:
    return lambda scenario: scenario.topic in topics


def _named(*beginnings: str) -> Callable[[Scenario], bool]:
    return lambda scenario: scenario.name.startswith(beginnings)


def _is_of_a_study(scenario: Scenario) -> bool:
    return scenario.asked is not None or scenario.filmed is not None


_SHAPED = ("warm-up", "form that settles", "mixed pace", "six sessions", "late climbs", "one athlete far")
TARGETS = (
    Target(column="of findings", applies=_is_in_grid, scenarios="every cell of error, fade and wander", lowest=90),
    Target(column="false change", applies=_is_in_grid, scenarios="every cell of error, fade and wander", highest=3),
    Target(column="power", applies=_named("error 0.5 %, fade -2 %"), scenarios="error 0.5 %, fade -2 %", lowest=90),
    Target(column="power", applies=_named("error 1 %, fade -2 %"), scenarios="error 1 %, fade -2 %", lowest=75),
    Target(
        column="of findings",
        applies=_named(*_SHAPED),
        scenarios="warm-up, mixed pace, altitude, odd athlete",
        lowest=88,
    ),
    Target(column="false change", applies=_named("six sessions"), scenarios="interval sessions", highest=3),
    Target(column="false change", applies=_named("warm-up", "form that settles"), scenarios="warm-up", highest=3),
    Target(
        column="holds",
        applies=_named("+5 % per 10 km from km 15", "+8 % per 10 km from km 35"),
        scenarios="late breaks",
        highest=5,
    ),
    Target(column="onset given", applies=_named("straight", "no drift"), scenarios="no break planted", highest=5),
    Target(column="change covered", applies=_topic("Late change"), scenarios="late change", lowest=90),
    Target(column="onset covered", applies=_topic("Late change"), scenarios="breaks", lowest=90),
    Target(
        column="coverage of zero",
        applies=_topic(
            "Change of the drift over the months",
            "A shoe worn on fast days",
            "A tag of fast days",
            "Before and after an event, while the fade eases",
        ),
        scenarios="months, shoes, tags and events",
        lowest=90,
    ),
    Target(column="covered", applies=_is_of_a_study, scenarios="studies", lowest=90),
    Target(column="false claims", applies=_is_of_a_study, scenarios="studies", highest=5),
)
#: Of the coverage of all intervals of the cells of error, fade and wander taken together [%].
LOWEST_COVERAGE_OF_GRID = 92.0
