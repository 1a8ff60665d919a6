"""Limits and names of the page's server, each in one place; docs/page.md lists them."""

from __future__ import annotations

LOOPBACK = "127.0.0.1"
TILE_PX = 512
LARGEST_JSON = 1_000_000  # bytes of a request
LARGEST_PHOTO = 100_000_000  # bytes of an uploaded photo; phones stay under 60 MB
LONGEST_PATH = 1000  # characters of a request's path
LONGEST_POLL = 25.0  # seconds that a request for changes waits
MOST_POLLS = 40  # waiting requests for changes at once
MOST_TOGETHER = 2000  # actions in one step
LARGEST_CROP_PX = 512
LARGEST_SNAP_PX = 40.0
PYRAMID_BYTES = 500_000_000  # decoded photos kept; one of 48 MP takes 192 MB
TILE_BYTES = 48_000_000  # encoded tiles kept
TILE_QUALITY = 88  # JPEG
DECODING_DEADLINE = 60.0  # seconds for an uploaded photo
DECODING_MEMORY = 2_000_000_000  # bytes of address space for it
MOST_KEYS = 8  # one-time keys that wait to be used; older ones are void
MOST_DECODINGS = 1  # uploaded photos decoded at once
KEY_BYTES = 32  # of the one-time key and of the session
