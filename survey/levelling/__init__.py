"""Rod readings by set-up: reduction, page check, closure, collimation."""

from survey.levelling.closure import Closure, Levels, check_levels, reduce_readings
from survey.levelling.collimation import Collimation, compare_two_pegs
from survey.levelling.page import (
    ReducedPage,
    Station,
    allowable_misclosure,
    derive_misclosure,
    distribute_misclosure,
    reduce_page,
)

__all__ = [
    "Closure",
    "Collimation",
    "Levels",
    "ReducedPage",
    "Station",
    "allowable_misclosure",
    "check_levels",
    "compare_two_pegs",
    "derive_misclosure",
    "distribute_misclosure",
    "reduce_page",
    "reduce_readings",
]
