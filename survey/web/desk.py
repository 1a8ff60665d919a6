"""Everything that an open page works with: field book, photos, tiles. One desk a visit.

The handlers ask the desk; it knows nothing of HTTP.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from survey.errors import InputError
from survey.photo import Photo
from survey.planefile import PlaneFile
from survey.planefile.files import file_stem
from survey.planefile.model import SUFFIX
from survey.planefile.text import format_document
from survey.web.actions import Action
from survey.web.arrivals import Arrival
from survey.web.described import Json, describe_photo, describe_visit, find_patch
from survey.web.fieldbook import FieldBook
from survey.web.live import Live, describe_targets
from survey.web.rectified import draw_rectified, sight_of
from survey.web.settings import LARGEST_PHOTO, MOST_DECODINGS
from survey.web.shelf import Shelf
from survey.web.snapping import snap_line, snap_point
from survey.web.tiles import Cutter, NotHere, encode_jpeg


class Desk:
    """One open visit."""

    def __init__(self, folder: Path) -> None:
        self.book = FieldBook(folder)
        self.shelf = Shelf()
        self.cutter = Cutter()
        self.book.sizes = lambda: self.shelf.sizes(self.book.visit)
        self.live = Live(folder, self._heard)
        self.listeners: list[Callable[[], None]] = []
        self.largest_photo = LARGEST_PHOTO
        self._described: tuple[int, Json] = (-1, {})
        self._lock = threading.Lock()
        self._decoding = threading.Semaphore(MOST_DECODINGS)

    def describe(self) -> Json:
        """Return the whole visit."""
        with self.book.lock:
            self.book.look_again()
            version, described = self._describe()
            visit = self.book.visit
        photos = [self._describe_photo(photo) for photo in self.shelf.photos(visit)]
        return {"version": version, "seen": self.live.news, **described, "photos": photos}

    def result(self) -> Json:
        """Return what is measured so far; the first call starts measuring."""
        self.follow()
        return self.live.result()

    def predictions(self, name: str) -> Json:
        """Return where points should be in a photo, as far as that is known yet."""
        self.photo(name)
        self.follow()
        return self.live.predict(name)

    def rectified(self, plane: str, photo: str | None) -> Json:
        """Return how a plane's rectified image lies, as far as that is known yet."""
        if photo is not None:
            self.photo(photo)
        self.follow()
        told = self.live.rectify(plane, photo)
        return {key: value for key, value in told.items() if key not in ("event", "map", "asked")}

    def rectified_image(self, plane: str, photo: str) -> bytes:
        """Return the rectified image that `rectified` described last, as JPEG."""
        shown = self.photo(photo)
        told = self.live.rectify(plane, photo)
        if "map" not in told or shown.camera is None:
            raise NotHere(f"there is no image of '{plane[:80]}' from it", where=photo)
        sight = sight_of(told, shown.camera.size_px)
        return encode_jpeg(draw_rectified(told, sight, self.cutter.levels(shown)))

    def plane_file(self) -> tuple[str, bytes]:
        """Return name and bytes of the plane file of the full result.

        Raises
        ------
        InputError
            If there is none yet.
        """
        result = self.result()
        if result["result"] is None or not result["checked"]:
            raise InputError(
                "the result is still being worked out" if result["state"] == "working"
                else result["missing"],
                where="result",
                cure="wait a moment and ask again",
            )  # fmt: skip
        plane_file = PlaneFile(result["result"])
        name = f"{file_stem(plane_file.name)}{SUFFIX}"
        return name, format_document(plane_file.document).encode("utf-8")

    def keep_photo(self, arrival: Arrival) -> Json:
        """Decode and keep a photo that has arrived; it is in the visit when this returns."""
        with self._decoding:
            kept = arrival.keep(self.book.visit)
        if not kept.was_there:
            self.book.note(f"photo {kept.name} added", ("photo", kept.name))
        if self.live.version >= 0:
            self.follow()
        return {
            "version": self.book.version,
            "name": kept.name,
            "width": kept.width,
            "height": kept.height,
            "was_there": kept.was_there,
        }

    def follow(self) -> None:
        """Let measuring know of the visit as it stands."""
        with self.book.lock:
            version, texts = self.book.version, dict(self.book.texts)
        self.live.update(version, texts)

    def close(self) -> None:
        """End what runs beside the server."""
        self.live.close()

    def act(self, client: str, request: str, base: int, action: Action) -> Json:
        """Do an action; return what changed for an asker who had seen the version before it."""
        with self.book.lock:
            self.book.look_again()
            _, old = self._describe()
            receipt = self.book.act(client, request, base, action)
            _, new = self._describe()
        if self.live.version >= 0:
            self.follow()
        done: Json = {
            "version": receipt.version,
            "label": receipt.label,
            "applied": list(receipt.applied),
            "reload": base != receipt.before,
            "visit_patch": find_patch(old, new),
        }
        if receipt.conflict is not None:
            done["conflict"] = receipt.conflict.as_document()
        return done

    def photo(self, name: str) -> Photo:
        """Return a photo of the visit by name.

        Raises
        ------
        NotHere
            If there is none, or it can't be used.
        """
        photo = self.shelf.photo(self.book.visit, name)
        if photo is None or photo.camera is None:
            why = "" if photo is None else f": {photo.refused}"
            raise NotHere(f"there is no such photo{why}", where=name[:80])
        return photo

    def snap(self, name: str, px: Any, radius_px: float) -> Json:
        """Move a press to the corner or edge beside it, or the ends of a stretch to its line."""
        grey = self.cutter.levels(self.photo(name))[0]
        if isinstance(px, list) and len(px) == 2 and isinstance(px[0], list):
            return snap_line(grey, px[0], px[1], radius_px)
        return snap_point(grey, px, radius_px).as_document()

    def _heard(self) -> None:
        for listener in self.listeners:
            listener()

    def _describe_photo(self, photo: Photo) -> Json:
        described = describe_photo(photo)
        seen = describe_targets(self.live.photos, photo.name, described["stamp"])
        remarks = [*described["remarks"], *seen["remarks"]]
        return {**described, **seen, "remarks": remarks}

    def _describe(self) -> tuple[int, Json]:
        """Return version and description; made once a version."""
        book = self.book
        with self._lock:
            version, described = self._described
            if version != book.version:
                history = book.history
                described = describe_visit(book.visit, book.texts, book.guessed_edges)
                described["can_undo"] = bool(history.done)
                described["can_redo"] = bool(history.undone)
                described["undo_label"] = history.done[-1].label if history.done else ""
                described["redo_label"] = history.undone[-1].label if history.undone else ""
                self._described = (book.version, described)
            return self._described
