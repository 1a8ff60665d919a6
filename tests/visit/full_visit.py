"""An invented visit that uses every key of every file, for breaking one at a time."""

from __future__ import annotations

from pathlib import Path

import pytest

from survey.errors import InputError, Problem
from survey.visit import open_visit

VISIT = """\
format = 1
name = "full visit"
date = 2026-05-04
place = "porch, east side"
by = "J. Miller"
units = "us"
building = "dwelling"
work = "replacement"
covering = "modified-bitumen"
plies = 2
notes = ["first note", "second note"]

[conditions]
weather = "overcast"
temperature = "61 F"
wind = "light"
last_rain = "two days ago"

[[target]]
name = "T1"
sheet = "tabloid-1"
across = "9-1/2 in"
down = "15 in"
check_sd = "0.5 mm"
plane = "wall"
thickness = "1/2 in"
mounted = "plumb and level"
mount_sd = "0.5 deg"

[[target]]
name = "T2"
mounted = "flat"

[target.board]
kind = "charuco"
dictionary = "DICT_5X5_100"
marker = "30 mm"
first_id = 4
columns = 7
rows = 5
square = "40 mm"
legacy_layout = true

[[target]]
name = "T3"

[target.board]
kind = "marker grid"
dictionary = "DICT_APRILTAG_36h11"
marker = "60 mm"
columns = 3
rows = 2
gap = "15 mm"

[[plane]]
name = "porch"
kind = "roof"
outline = ["A", "B", "C", "D"]
points = ["M"]
covering = "standing-seam"
plies = 1
existing_covering = "asbestos-cement-tile"
coverings_on = 1
ventilation = "soffit vents"
flatness_sd = "1/8 in"
sag_sd = "1/2 in"

[plane.deck]
kind = "plywood"
thickness = "5/8 in"
condition = "soft"

[[plane]]
name = "wall"
kind = "wall"
outline = ["D", "C", "E", "F"]

[[edge]]
name = "eave"
between = ["A", "B"]
kind = "eave"
meets = "gutter"
drains = true
dam_height = "1/2 in"
level = true
offset = "14 in"
offset_sd = "1/4 in"
offset_from = "T1"
marked_as = "gutter lip"

[[edge]]
between = ["C", "E"]
kind = "wall corner"
plumb = true

[[outlet]]
name = "drain 1"
kind = "roof drain"
at = "M"
invert = "-1/2 in"
width = "3 in"
height = "4 in"

[[outlet]]
name = "scupper 1"
kind = "scupper"
plane = "porch"
along = "11 ft"
up = "6 in"

[[outlet]]
name = "gutter 1"
kind = "gutter"
edge = "eave"

[[penetration]]
name = "vent"
kind = "pipe"
plane = "porch"
along = "3 ft"
up = "5 ft"
width = "4 in"
length = "4 in"
height = "10 in"
saddle = false

[[penetration]]
name = "chimney"
kind = "chimney"
outline = ["K1", "K2", "K3"]

[[penetration]]
name = "hatch"
kind = "hatch"
at = "H1"

[[benchmark]]
name = "BM"
elevation = "100.00 ft"
sd = "1/16 in"

[[setup]]
name = "S1"
instrument = "laser level"
rod_sd = "1/16 in"
rod_length = "16 ft"

[[setup]]
name = "S2"

[[calibration]]
file = "phone.camera.json"
model = "a phone"
lens = "back camera"

[[step]]
plane = "porch"
along = ["0", "20 ft"]
up = ["8 ft", "8 ft"]

[[step]]
plane = "porch"
between = ["A", "C"]

[[string]]
name = "L1"
plane = "porch"
between = ["A", "C"]
heights = ["2 in", "0"]
heights_sd = "1/32 in"
sag = "1/8 in"
sag_sd = "1/32 in"
"""

MARKS = """\
{
  "format": 1,
  "points": ["K1", "K2"],
  "marks": [
    {"id": "m1", "kind": "point", "photo": "a.jpg", "point": "A",
     "px": [10.5, 20.25], "sd_px": 1.0},
    {"id": "m2", "kind": "point", "photo": "b.jpg", "point": "K3", "px": [30, 40]},
    {"id": "m3", "kind": "edge", "photo": "a.jpg", "start": "A", "end": "B",
     "px": [[1, 2], [300, 4]], "sd_px": 2.0},
    {"id": "m4", "kind": "gravity", "photo": "a.jpg", "direction": "plumb",
     "px": [[1, 2], [3, 400]], "sd_px": 1.5, "departure_sd": 0.002},
    {"id": "m5", "kind": "gravity", "photo": "a.jpg", "direction": "level", "on": "wall",
     "px": [[1, 2], [300, 4]]},
    {"id": "m6", "kind": "outline", "photo": "b.jpg", "name": "ring 1", "purpose": "tide line",
     "plane": "porch", "px": [[1, 2], [3, 4], [5, 9]], "sd_px": 3.0}
  ]
}
"""

READINGS = """\
id,kind,setup,point,to,plane,along (ft),up (ft),value (in),sd,note
T1,tape,,A,B,,,,12 ft 0-1/4 in,1/4 in,eave
L1,slope,,,,porch,3,4,1.8 deg,0.1 deg,
L2,slope,,A,D,porch,,,-2.1 %,,
R1,rod,S1,A,,,,,38 7/16,1/16 in,
,rod,S1,BM,,,,,2 ft,,
R3,rod,S1,TP1,,,,,41 1/4,,turning point
R4,rod,S2,TP1,,,,,36 7/16,,
G1,rod,S2,,,porch,2,0,36 1/2,,
G2,rod,S2,H1,,porch,4,0,36,,
O1,string,L1,,,,6,,1-1/2 in,,
"""


def write_full_visit(folder: Path) -> Path:
    """Write the visit and return its folder."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "visit.toml").write_text(VISIT, encoding="utf-8")
    (folder / "marks.json").write_text(MARKS, encoding="utf-8")
    (folder / "readings.csv").write_text(READINGS, encoding="utf-8")
    (folder / "phone.camera.json").write_text("{}", encoding="utf-8")
    (folder / "photos").mkdir(exist_ok=True)
    for name in ("a.jpg", "b.jpg", "README.md", ".hidden.jpg"):
        (folder / "photos" / name).write_bytes(b"not looked at")
    return folder


def problems_of(folder: Path) -> tuple[Problem, ...]:
    """What opening the folder complains of; fails if it opens."""
    with pytest.raises(InputError) as caught:
        open_visit(folder)
    for problem in caught.value.problems:
        assert problem.what and problem.where, problem
        assert "\n" not in str(problem)
    return caught.value.problems
