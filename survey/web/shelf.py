"""The visit's photos as the page knows them: read once, again when a file has changed."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from pathlib import Path

from survey.photo import Photo, read_photo
from survey.visit.model import Visit


class Shelf:
    """Photos by name. What a file is gets asked again only when its size or time changed."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._known: dict[Path, tuple[tuple[int, int], Photo]] = {}

    def photos(self, visit: Visit) -> tuple[Photo, ...]:
        """Return the photos of a visit, by name."""
        return tuple(self._photo(path) for path in _by_name(visit.photo_paths))

    def photo(self, visit: Visit, name: str) -> Photo | None:
        """Return one photo of the visit; None if it has none of that name."""
        path = next((path for path in visit.photo_paths if path.name == name), None)
        return None if path is None else self._photo(path)

    def sizes(self, visit: Visit) -> Mapping[str, tuple[int, int]]:
        """Return width and height, upright, of the photos that can be used."""
        return {
            photo.name: photo.camera.size_px
            for photo in self.photos(visit)
            if photo.camera is not None
        }

    def _photo(self, path: Path) -> Photo:
        try:
            state = path.stat()
            stamp = (state.st_size, state.st_mtime_ns)
        except OSError:
            stamp = (-1, 0)
        with self._lock:
            known = self._known.get(path)
        if known is not None and known[0] == stamp:
            return known[1]
        photo = read_photo(path)
        with self._lock:
            self._known[path] = (stamp, photo)
        return photo


def _by_name(paths: Sequence[Path]) -> list[Path]:
    return sorted(paths, key=lambda path: path.name)
