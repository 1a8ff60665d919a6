"""The child that decodes photos for `survey.photo.bounded`: ``python decoding.py MEMORY``.

It says when it is ready. Each line of its input asks for one photo, in JSON; it answers with one
line of JSON, followed by the grey pixels if there are any.
"""

from __future__ import annotations

import json
import sys
import types
from pathlib import Path
from typing import Any, BinaryIO

READY = b"ready\n"


def main(arguments: list[str]) -> int:
    """Answer requests until there are no more."""
    load_no_more_than_decoders()
    from survey.photo.process_limits import limit_process

    limit_process(int(arguments[0]))
    # What a library prints must not get between the answers.
    answers, sys.stdout = sys.stdout.buffer, sys.stderr
    import survey.photo.pixels  # noqa: F401  loading is no part of any photo's time

    answers.write(READY)
    answers.flush()
    for line in sys.stdin.buffer:
        answer(json.loads(line), answers)
    return 0


def load_no_more_than_decoders() -> None:
    """Stand in for packages whose front doors would load the whole program."""
    folder = Path(__file__).parent
    for name, place in {"survey": folder.parent, "survey.photo": folder}.items():
        if name not in sys.modules:
            package = types.ModuleType(name)
            package.__path__ = [str(place)]
            sys.modules[name] = package


def answer(asked: dict[str, Any], answers: BinaryIO) -> None:
    """Decode one photo and write what came of it."""
    from survey.errors import SurveyError
    from survey.photo.model import CameraPrior, Photo
    from survey.photo.pixels import read_grey

    width, height = asked["size_px"]
    photo = Photo(
        name=asked["name"],
        path=Path(asked["path"]),
        sha256=asked["sha256"],
        format=asked["format"],
        camera=CameraPrior((width, height), 1.0, 1.0, (0.0, 0.0), 1.0),
        orientation=asked["orientation"],
    )
    try:
        pixels = read_grey(photo)
    except SurveyError as error:
        told = {"refused": error.what, "cure": error.cure, "kind": type(error).__name__}
        answers.write(json.dumps(told).encode() + b"\n")
    except MemoryError:
        answers.write(b'{"too large": true}\n')
    else:
        answers.write(b"{}\n")
        answers.write(pixels.data)
    answers.flush()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
