"""The child that decodes one photo: ``python survey/web/decoding.py PATH MEMORY SECONDS``."""

from __future__ import annotations

import json
import sys
import types
from pathlib import Path
from typing import Any


def main(arguments: list[str]) -> int:
    """Decode a photo and print what it is, or why it is refused."""
    path, memory, seconds = Path(arguments[0]), int(arguments[1]), int(arguments[2])
    load_no_more_than_photos()
    from survey.photo.process_limits import limit_process

    limit_process(memory, seconds)
    print(json.dumps(look(path)))
    return 0


def load_no_more_than_photos() -> None:
    """Stand in for the package, which would load the whole program and take most of the time."""
    if "survey" not in sys.modules:
        package = types.ModuleType("survey")
        package.__path__ = [str(Path(__file__).parent.parent)]
        sys.modules["survey"] = package


def look(path: Path) -> dict[str, Any]:
    """Read and decode a photo."""
    from survey.errors import SurveyError
    from survey.photo import read_photo, read_pixels

    photo = read_photo(path)
    if photo.camera is None:
        return {"refused": photo.refused}
    try:
        read_pixels(photo)
    except SurveyError as error:
        return {"refused": error.what}
    except MemoryError:
        return {"refused": "decoding it takes too much memory"}
    width, height = photo.camera.size_px
    return {
        "format": photo.format,
        "width": width,
        "height": height,
        "sha256": photo.sha256,
    }


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
