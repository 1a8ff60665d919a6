"""One row of the readings table, turned into a rod, tape or slope reading."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from survey.errors import InputError, Problem
from survey.units import FOOT, INCH, format_feet_inches, parse_angle, parse_length
from survey.visit.model import (
    Reading,
    RodReading,
    Setup,
    SlopeReading,
    Spot,
    StringReading,
    StringSpec,
    TapeReading,
    Visit,
)
from survey.visit.problems import offer, shown
from survey.visit.sheet import Row
from survey.visit.tables import default_of, name_fault

LONGEST_ROD = 7.62  # m; a 25 ft rod, the longest in common use; common practice
LONGEST_TAPE = 100.0  # m; common practice
STEEPEST = math.radians(75.0)  # nobody lays a level on a steeper roof
TAPE_SD = INCH / 8  # one standard deviation at length zero; common practice
TAPE_SD_RATIO = 0.0005  # and what each metre adds (stretch, sag, slope); common practice
SLOPE_SD = math.radians(0.15)  # digital level; common practice
KINDS = ("rod", "tape", "slope", "string")
OFFSET_SD = INCH / 16  # a rule held against a string; common practice
LONGEST_OFFSET = 2.0  # m; nobody strings a line higher above a roof
LENGTH_UNITS = ("in", "ft", "m", "cm", "mm")


@dataclass(frozen=True, slots=True)
class Names:
    """What of visit.toml the readings lean on; None: visit.toml could not be read."""

    setups: dict[str, Setup] | None
    planes: tuple[str, ...] | None
    points: frozenset[str] = frozenset()
    strings: dict[str, StringSpec] | None = None

    @classmethod
    def of(cls, visit: Visit | None) -> Names:
        """Take the names out of a visit."""
        if visit is None:
            return cls(None, None)
        return cls(
            {setup.name: setup for setup in visit.setups},
            tuple(plane.name for plane in visit.planes),
            frozenset(name for plane in visit.planes for name in (*plane.outline, *plane.points)),
            {string.name: string for string in visit.strings},
        )


class RowReader:
    """Reads one row, noting every problem in it."""

    def __init__(
        self, row: Row, units: dict[str, str], names: Names, problems: list[Problem]
    ) -> None:
        self.row = row
        self.units = units
        self.names = names
        self.problems = problems
        self.id = row.cells.get("id", "")

    def read(self) -> Reading | None:
        """Return the reading, or None if anything in the row is wrong."""
        before = len(self.problems)
        kind = self.row.cells.get("kind", "").lower()
        if kind not in KINDS:
            what = f"kind {shown(kind)} is not known" if kind else "the row has no kind"
            self._wrong(what, offer(kind, KINDS, "kind"), "kind")
            return None
        self.id = self._name("id") or f"{kind} {self.row.line}"
        read = {
            "rod": self._rod,
            "tape": self._tape,
            "slope": self._slope,
            "string": self._string,
        }[kind]
        reading = read()
        return reading if len(self.problems) == before else None

    def _rod(self) -> Reading:
        self._refuse("rod", "to")
        setup = self._setup()
        spot = self._spot()
        if spot is None:
            self._refuse("rod", "plane", "without along and up")
        point = self._name("point") or (self.id if spot else None)
        if point is None:
            self._wrong(
                "nothing says where the rod stood", "name a point, or give along and up", "point"
            )
        elif point == self.id and point in self.names.points and not self.row.cells.get("point"):
            self._wrong(
                f"the spot would be named {shown(point)} after its id, but that is a point of a "
                "plane already",
                f"write {point} under point if it is that point, or give another id",
                "id",
            )
        value = self._length("value", 0.0, LONGEST_ROD, "rod reading")
        longest = setup.rod_length if setup else None
        if longest is not None and value > longest:
            self._wrong(
                f"rod reading {self.row.cells['value']} is longer than the "
                f"{format_feet_inches(longest)} rod of set-up {setup.name if setup else ''}",
                "check for a missing decimal point",
                "value",
            )
        return RodReading(
            id=self.id,
            where=self.row.place,
            setup=setup.name if setup else self.row.cells.get("setup", ""),
            point=point or "",
            value=value,
            sd=self._length_sd(setup.rod_sd if setup else default_of(Setup, "rod_sd")),
            spot=spot,
        )

    def _tape(self) -> Reading:
        self._refuse("tape", "setup", "plane", "along", "up")
        start, end = self._name("point"), self._name("to")
        for column, name in (("point", start), ("to", end)):
            if name is None and not self.row.cells.get(column):
                self._wrong(f"column {column} is empty", "name both ends of the tape", column)
        if start is not None and start == end:
            self._wrong(f"point and to are both {shown(start)}", "name two points", "to")
        value = self._length("value", 0.001, LONGEST_TAPE, "tape reading")
        return TapeReading(
            id=self.id,
            where=self.row.place,
            start=start or "",
            end=end or "",
            value=value,
            sd=self._length_sd(TAPE_SD + TAPE_SD_RATIO * value),
        )

    def _slope(self) -> Reading:
        self._refuse("slope", "setup")
        start, end = self._name("point"), self._name("to")
        if (start is None) != (end is None):
            self._wrong(
                "a direction needs point and to",
                "name both, or leave both empty for the steepest fall",
                "to" if end is None else "point",
            )
        elif start is not None and start == end:
            self._wrong(f"point and to are both {shown(start)}", "name two points", "to")
        plane = self._plane()
        value = self._angle("value", -STEEPEST, STEEPEST, noun="slope reading")
        return SlopeReading(
            id=self.id,
            where=self.row.place,
            plane=plane or "",
            value=value if start else abs(value),
            sd=self._angle("sd", math.radians(0.005), math.radians(10), SLOPE_SD),
            direction="from point to point" if start and end else "fall",
            start=start,
            end=end,
            spot=self._spot(),
        )

    def _string(self) -> Reading:
        self._refuse("string", "point", "to", "plane", "up")
        string = self._string_line()
        if not self.row.cells.get("along"):
            self._wrong(
                "nothing says where along the string the offset was read",
                "write its distance from the string's first point under along",
                "along",
            )
        along = self._length("along", 0.0, LONGEST_TAPE, "along")
        return StringReading(
            id=self.id,
            where=self.row.place,
            string=string.name if string else self.row.cells.get("setup", ""),
            along=along,
            value=self._length("value", 0.0, LONGEST_OFFSET, "offset"),
            sd=self._length_sd(OFFSET_SD),
        )

    def _string_line(self) -> StringSpec | None:
        """Return the string by name, or the only one when the cell is empty."""
        name = self._name("setup")
        strings = self.names.strings
        if strings is None:
            return None
        if name is None:
            if len(strings) == 1 and not self.row.cells.get("setup"):
                return next(iter(strings.values()))
            cure = (
                'add [[string]] with name = "L1" to visit.toml, and L1 here'
                if not strings
                else f"write one of {', '.join(strings)}"
            )
            self._wrong("the offset names no string under setup", cure, "setup")
            return None
        if name not in strings:
            self._wrong(
                f"string {shown(name)} is not in visit.toml",
                offer(name, strings, "[[string]]"),
                "setup",
            )
        return strings.get(name)

    def _setup(self) -> Setup | None:
        """Return the set-up by name, or the only one when the cell is empty."""
        name = self._name("setup")
        setups = self.names.setups
        if setups is None:
            return None
        if name is None:
            if len(setups) == 1 and not self.row.cells.get("setup"):
                return next(iter(setups.values()))
            cure = (
                'add [[setup]] with name = "S1" to visit.toml, and S1 here'
                if not setups
                else f"write one of {', '.join(setups)}"
            )
            self._wrong("the rod reading names no set-up", cure, "setup")
            return None
        if name not in setups:
            self._wrong(
                f"set-up {shown(name)} is not in visit.toml",
                offer(name, setups, "[[setup]]"),
                "setup",
            )
        return setups.get(name)

    def _plane(self) -> str | None:
        """Return the plane by name, or the only one when the cell is empty."""
        name = self._name("plane")
        planes = self.names.planes
        if name is None and planes is not None and not self.row.cells.get("plane"):
            if len(planes) == 1:
                return planes[0]
            self._wrong("the reading names no plane", offer("", planes, "[[plane]]"), "plane")
        if name is not None and planes is not None and name not in planes:
            self._wrong(
                f"plane {shown(name)} is not in visit.toml",
                offer(name, planes, "[[plane]]"),
                "plane",
            )
        return name

    def _spot(self) -> Spot | None:
        """Return the place on a plane by tape, or None when along and up are empty."""
        has = [bool(self.row.cells.get(column)) for column in ("along", "up")]
        if not any(has):
            return None
        if not all(has):
            self._wrong(
                "along and up go together", "add the other one", "up" if has[0] else "along"
            )
        plane = self._plane()
        reach = LONGEST_TAPE
        along = self._length("along", -reach, reach, "along") if has[0] else 0.0
        up = self._length("up", -reach, reach, "up") if has[1] else 0.0
        return Spot(plane or "", along, up)

    def _name(self, column: str) -> str | None:
        text = self.row.cells.get(column, "")
        if not text:
            return None
        fault = name_fault(text)
        if fault:
            self._wrong(f"{column} {fault}", "use a short word", column)
            return None
        return text

    def _length(self, column: str, low: float, high: float, noun: str) -> float:
        """Return a length in metres; zero when it is missing or unfit, which is then noted."""
        text = self.row.cells.get(column, "")
        unit = self.units.get(column)
        if self._is_spreadsheet_date(text, column):
            return 0.0
        try:
            metres = parse_length(text, unit=unit if unit in LENGTH_UNITS else None)
        except InputError as error:
            self._wrong(error.what, _with_header_unit(error.cure, column), column)
            return 0.0
        if metres < low:
            what = "is negative" if low == 0 else f"is under {format_feet_inches(low)}"
            self._wrong(f"{noun} {shown(text)} {what}", "check the sign and the unit", column)
        elif metres > high:
            self._wrong(
                f"{noun} {shown(text)} is longer than {_longest(noun, high)}",
                "check the unit and the decimal point",
                column,
            )
        return metres

    def _length_sd(self, default: float) -> float:
        if not self.row.cells.get("sd"):
            return default
        return max(self._length("sd", 0.00001, 1.0, "sd"), 0.00001)

    def _angle(
        self,
        column: str,
        low: float,
        high: float,
        default: float | None = None,
        noun: str = "sd",
    ) -> float:
        """Return an angle in radians; zero when missing or unfit, which is then noted."""
        text = self.row.cells.get(column, "")
        unit = self.units.get(column)
        if not text and default is not None:
            return default
        if self._is_spreadsheet_date(text, column):
            return 0.0
        try:
            radians = parse_angle(text, unit=None if unit in LENGTH_UNITS else unit)
        except InputError as error:
            self._wrong(error.what, error.cure, column)
            return 0.0
        if not low <= radians <= high:
            self._wrong(
                f"{noun} {shown(text)} is not between {math.degrees(low):g} and "
                f"{math.degrees(high):g} deg",
                "check the unit and the decimal point",
                column,
            )
        return radians

    def _is_spreadsheet_date(self, text: str, column: str) -> bool:
        """Note a date or time, which is what spreadsheets make of 3/4 and 3:12."""
        if not is_date_or_time(text):
            return False
        self._wrong(
            f"{shown(text)} is a date or time; spreadsheets make one of 3/4, 3-4 or 3:12",
            "format the column as text, then type the reading again",
            column,
        )
        return True

    def _refuse(self, kind: str, *columns_and_reason: str) -> None:
        """Note cells that a reading of this kind has no use for."""
        columns = [name for name in columns_and_reason if name in self.row.places]
        reason = next((name for name in columns_and_reason if " " in name), "")
        for column in columns:
            if self.row.cells.get(column):
                self._wrong(
                    f"a {kind} reading has no {column}" + (f" {reason}" if reason else ""),
                    "leave the cell empty, or check the kind",
                    column,
                )

    def _wrong(self, what: str, cure: str, column: str | None = None) -> None:
        where = self.row.places.get(column or "", self.row.place)
        self.problems.append(Problem(what, where, cure))


def _with_header_unit(cure: str, column: str) -> str:
    """Add that a column's header may carry the unit, where a bare number is the fault."""
    bare = "add ft, in, m or mm"
    return cure.replace(bare, f"{bare}, or name the column {column} (in)")


def _longest(noun: str, high: float) -> str:
    """Name the bound that a length exceeds."""
    feet = f"{high / FOOT:.0f} ft"
    return {"rod reading": f"any rod ({feet})", "sd": feet, "offset": "any offset (6 ft)"}.get(
        noun, f"any tape ({feet})"
    )


def is_date_or_time(text: str) -> bool:
    """Whether text is a date or time as spreadsheets show it: 4-Mar, Mar-04, 3/4/2026, 03:12:00."""
    month = r"(jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*\.?"
    forms = (
        rf"[0-9]{{1,4}}[-/ ]{month}([-/ ][0-9]{{1,4}})?",
        rf"{month}[-/ ][0-9]{{1,4}}",
        r"[0-9]{4}-[0-9]{2}-[0-9]{2}([t ].*)?",
        r"[0-9]{1,2}[/.-][0-9]{1,2}[/.-]([0-9]{4}|[0-9]{2})",
        r"[0-9]{1,2}:[0-9]{2}:[0-9]{2}.*",
        r"[0-9]{1,2}:[0-9]{2} ?[ap]m",
        r".*\(a time\)",
    )
    return any(re.fullmatch(form, text.lower()) for form in forms)
