"""Turns a world into what a visit holds: a `Visit`, its photos and the sightings in them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from survey.photo.model import CameraPrior, Photo
from survey.target.model import Sighting
from survey.visit.model import (
    Conditions,
    Edge,
    EdgeMark,
    ForeignBoard,
    GravityMark,
    OutlineMark,
    PlaneSpec,
    PointMark,
    RodReading,
    SlopeReading,
    Spot,
    TapeReading,
    TargetSpec,
    Visit,
)
from tests.scenes.world import SIZE_PX, Array, TrueBoard, TrueCamera, World, stand

EMPTY = Visit(
    folder=Path("scene"),
    name="scene",
    date=None,
    place=None,
    by=None,
    units="us",
    building="dwelling",
    work="replacement",
    covering=None,
    plies=None,
    conditions=Conditions(),
    targets=(),
    planes=(),
    edges=(),
    outlets=(),
    penetrations=(),
    benchmarks=(),
    setups=(),
    calibrations=(),
    marks=(),
    readings=(),
    photo_paths=(),
)


@dataclass(frozen=True)
class Lens:
    """How wrong what is believed of a camera may be, one sd each."""

    focal: float = 0.01  # of the camera, relative
    centre: float = 10.0  # of the camera, px
    k1: float = 0.005
    shot_focal: float = 0.001  # from photo to photo, relative
    shot_centre: float = 5.0  # px
    known_k1: float = 0.02


@dataclass(frozen=True)
class Scene:
    """A visit as the program gets it, and the truth behind it."""

    visit: Visit
    photos: list[Photo]
    sightings: list[Sighting]
    world: World
    cameras: dict[str, TrueCamera] = field(default_factory=dict)

    def with_visit(self, **changes: object) -> Scene:
        return replace(self, visit=replace(self.visit, **changes))  # type: ignore[arg-type]

    def without_marks(self, *kinds: type) -> Scene:
        return self.with_visit(marks=tuple(m for m in self.visit.marks if not isinstance(m, kinds)))


class VisitMaker:
    """Goes round a world with camera, rod and tape and writes down what it reads, with noise."""

    def __init__(self, world: World, rng: np.random.Generator, lens: Lens | None = None) -> None:
        self.world = world
        self.rng = rng
        self.lens = lens or Lens()
        self.focal_bias = 1 + self.lens.focal * rng.standard_normal()
        self.centre_bias = self.lens.centre * rng.standard_normal(2)
        self.k1 = self.lens.known_k1 + self.lens.k1 * rng.standard_normal()
        self.cameras: dict[str, TrueCamera] = {}
        self.photos: list[Photo] = []
        self.sightings: list[Sighting] = []
        self.marks: list[object] = []
        self.readings: list[object] = []
        self.targets: list[TargetSpec] = []
        self.mark_sd = 1.5

    # --- what is put up --------------------------------------------------------------------

    def put_up(
        self, name: str, board: TrueBoard, *, print_sd: float = 0.001, **told: object
    ) -> None:
        """Hang a board; its check lines are measured to 0.1 % unless `across` is told."""
        self.world.boards[name] = board
        measured = {
            "across": board.side * board.scale[0] * (1 + print_sd * self.rng.standard_normal()),
            "down": board.side * board.scale[1] * (1 + print_sd * self.rng.standard_normal()),
            "check_sd": print_sd * board.side,
        }
        spec = ForeignBoard("marker", "DICT_5X5_100", board.side, len(self.targets))
        self.targets.append(TargetSpec(name, spec, **{**measured, **told}))  # type: ignore[arg-type]

    # --- photos and marks ------------------------------------------------------------------

    def photograph(
        self, name: str, position: Sequence[float], aim: Sequence[float], *, roll: float = 0.0
    ) -> TrueCamera:
        """Take a photo: the lens is off by what nobody knows; the sightings are noted."""
        lens, rng = self.lens, self.rng
        believed = np.array([(SIZE_PX[0] - 1) / 2, (SIZE_PX[1] - 1) / 2])
        centre = believed + self.centre_bias + lens.shot_centre * rng.standard_normal(2)
        camera = stand(
            np.array(position),
            np.array(aim),
            roll=roll,
            focal=3029.0 * self.focal_bias * (1 + lens.shot_focal * rng.standard_normal()),
            centre=(float(centre[0]), float(centre[1])),
            k1=self.k1,
        )
        self.cameras[name] = camera
        prior = CameraPrior(
            size_px=SIZE_PX,
            focal=3029.0,
            focal_sd=max(lens.focal, 1e-4) * 3029.0,
            centre=(float(believed[0]), float(believed[1])),
            centre_sd=max(lens.centre, 0.1),
            k1=lens.known_k1,
            k1_sd=max(lens.k1, 1e-5),
            k2_sd=1e-4,
            source="exif 35 mm equivalent",
            key="one phone",
        )
        self.photos.append(
            Photo(name, Path("photos") / name, name, "JPEG", prior, make_model="one phone")
        )
        for target, board in self.world.boards.items():
            self._look_for(name, camera, target, board)
        return camera

    def _look_for(self, photo: str, camera: TrueCamera, target: str, board: TrueBoard) -> None:
        site = board.in_site()
        faces = float((camera.position - board.centre) @ board.axes[:, 2])
        if faces <= 0 or not camera.shows(site):
            return
        px = camera.photograph(site)
        px = px + board.sd_px[:, None] * self.rng.standard_normal(px.shape)
        self.sightings.append(
            Sighting(photo, target, board.points, px, board.sd_px, module_px=8.0, blur_px=1.5)
        )

    def _hand(self, camera: TrueCamera, points: Array, sd: float) -> Array:
        px = camera.photograph(points)
        return px + sd * self.rng.standard_normal(px.shape)

    def mark_points(self, photo: str, names: Sequence[str], sd: float | None = None) -> None:
        """Press each named point that the photo shows."""
        sd = self.mark_sd if sd is None else sd
        camera = self.cameras[photo]
        for name in names:
            if not camera.shows(self.world.points[name], margin=0.0):
                continue
            u, v = self._hand(camera, self.world.points[name], sd)[0]
            mark = PointMark(f"{name} in {photo}", photo, name, (float(u), float(v)), sd)
            self.marks.append(mark)

    def mark_edge(self, photo: str, start: str, end: str, share: tuple[float, float]) -> None:
        """Draw a stretch of an edge, from one share of its length to another."""
        a, b = self.world.points[start], self.world.points[end]
        ends = np.array([a + s * (b - a) for s in share])
        camera = self.cameras[photo]
        if camera.shows(ends):
            px = self._hand(camera, ends, self.mark_sd)
            ident = f"edge {start}-{end} in {photo}"
            line = (tuple(map(float, px[0])), tuple(map(float, px[1])))
            self.marks.append(EdgeMark(ident, photo, start, end, line, self.mark_sd))  # type: ignore[arg-type]

    def mark_gravity(
        self,
        photo: str,
        direction: str,
        ends: tuple[Array, Array],
        on: str | None = None,
        name: str = "",
    ) -> None:
        """Draw a line that is plumb or level, as well as the building made it."""
        camera = self.cameras[photo]
        if not camera.shows(np.array(ends), margin=0.0):
            return
        px = self._hand(camera, np.array(ends), self.mark_sd)
        ident = f"{direction} {name or len(self.marks)} in {photo}"
        line = (tuple(map(float, px[0])), tuple(map(float, px[1])))
        self.marks.append(GravityMark(ident, photo, direction, line, on, self.mark_sd))  # type: ignore[arg-type]

    def trace(self, photo: str, name: str, purpose: str, plane: str, ring: Array) -> None:
        """Trace an outline on a plane."""
        px = self._hand(self.cameras[photo], ring, 3.0)
        outline = tuple((float(u), float(v)) for u, v in px)
        ident = f"{name} in {photo}"
        self.marks.append(OutlineMark(ident, photo, name, purpose, plane, outline))

    # --- readings --------------------------------------------------------------------------

    def tape(self, start: str, end: str, *, off: float = 0.0) -> None:
        """Tape a length to 1/8 in and 0.05 %."""
        length = self.world.distance(start, end)
        sd = 0.003175 + 0.0005 * length
        value = length + sd * self.rng.standard_normal() + off
        ident = f"tape {start}-{end}"
        self.readings.append(TapeReading(ident, f"{ident} in readings", start, end, value, sd))

    def rod(
        self,
        setup: str,
        point: str,
        height: float,
        *,
        spot: Spot | None = None,
        sd: float = 0.0015875,
        off: float = 0.0,
    ) -> None:
        """Read the rod on a point from an instrument at `height`."""
        value = height - self.world.points[point][2] + sd * self.rng.standard_normal() + off
        ident = f"rod {setup} {point}"
        where = f"{ident} in readings"
        self.readings.append(RodReading(ident, where, setup, point, float(value), sd, spot))

    def slope(self, plane: str, true: float, *, sd: float = np.radians(0.15), **told: str) -> None:
        """Read a digital level on a plane whose angle is `true` radians."""
        value = true + sd * self.rng.standard_normal()
        ident = f"slope {plane} {len(self.readings)}"
        self.readings.append(
            SlopeReading(ident, f"{ident} in readings", plane, float(value), float(sd), **told)  # type: ignore[arg-type]
        )

    # --- the visit -------------------------------------------------------------------------

    def finish(
        self, planes: Sequence[PlaneSpec] = (), edges: Sequence[Edge] = (), **more: object
    ) -> Scene:
        """The visit as it would be read from its folder."""
        visit = replace(
            EMPTY,
            planes=tuple(planes),
            edges=tuple(edges),
            targets=tuple(self.targets),
            marks=tuple(self.marks),
            readings=tuple(self.readings),
            **more,  # type: ignore[arg-type]
        )
        return Scene(visit, self.photos, self.sightings, self.world, self.cameras)
