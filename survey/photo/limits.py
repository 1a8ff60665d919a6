"""What a photo may cost before it is decoded: one set of limits for every format."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Limits:
    """Bounds that a file must keep; a photo on a bound is still read.

    Attributes
    ----------
    pixels : int
        Width times height. Phones reach 200 Mpx; decoded in colour the bound is 660 MB.
    file_bytes : int
        Size of the file.
    shortest_side_px : int
        Smaller pictures are thumbnails, too coarse to measure on.
    scans : int
        Scans of a progressive JPEG: each costs a pass over the picture, in a few bytes of file.
    parts : int
        Segments, chunks, boxes or items of the container.
    longest_aspect : float
        Long side over short side; above it the picture is a stitched panorama.
    """

    pixels: int = 220_000_000
    file_bytes: int = 700_000_000
    shortest_side_px: int = 240
    scans: int = 100
    parts: int = 200_000
    longest_aspect: float = 2.5


DEFAULT_LIMITS = Limits()
