"""Walks a HEIC/HEIF file (ISO/IEC 14496-12 and 23008-12): one still picture, complete, bounded.

The decoder fills what is missing without a word, so every box and every item's extent is compared
with the length of the file first.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from survey.errors import InputError
from survey.photo.container import EXPORT_JPEG, Container, cut_short, damaged, not_taken
from survey.photo.limits import Limits
from survey.photo.orientation import compose_turns

STILL_BRANDS = (b"heic", b"heix", b"mif1", b"mif2")
SEQUENCE_BRANDS = (b"hevc", b"hevx", b"msf1")
MAX_ITEMS = 4096  # a 200 Mpx phone photo has some 800 tiles
MAX_EXIF_BYTES = 1 << 20

ROTATIONS = {0: 1, 1: 8, 2: 3, 3: 6}  # irot: quarter turns anticlockwise, as Exif orientations
MIRRORS = {0: 4, 1: 2}  # imir: 0 swaps top and bottom, 1 swaps left and right


@dataclass(slots=True)
class Items:
    """What the meta box says: items by id, the primary's properties, where the bytes lie."""

    primary: int | None = None
    kinds: dict[int, bytes] = field(default_factory=dict)
    extents: dict[int, list[tuple[int, int, int]]] = field(default_factory=dict)
    properties: list[tuple[bytes, bytes]] = field(default_factory=list)
    owned: dict[int, list[int]] = field(default_factory=dict)
    tiles: dict[int, list[int]] = field(default_factory=dict)
    inner: bytes = b""  # the item data box


class Fields:
    """Reads big-endian fields one after the other; running out of bytes is damage."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.at = 0

    def number(self, size: int) -> int:
        """Next unsigned integer of `size` bytes (0 for size 0)."""
        return int.from_bytes(self.take(size), "big")

    def take(self, size: int) -> bytes:
        """Next `size` bytes."""
        if self.at + size > len(self.data):
            raise damaged("a box is shorter than its content")
        self.at += size
        return self.data[self.at - size : self.at]


def read_heic_container(data: bytes, limits: Limits) -> Container:
    """Read the structure of a HEIC file.

    Raises
    ------
    InputError
        If the file is cut short, damaged, a sequence, or its primary picture is anything but one
        HEVC picture or a plain grid of them.
    """
    meta: bytes | None = None
    for kind, payload in _boxes(data, limits):
        if kind == b"ftyp":
            _check_brand(payload)
        elif kind == b"meta" and meta is None:
            meta = payload
    if meta is None:
        raise cut_short("the description of its pictures is missing")
    items = _read_meta(meta, limits)
    primary = items.primary
    if primary is None or primary not in items.kinds:
        raise damaged("it names no main picture")
    _check_picture(items, primary)
    _check_extents(items, len(data))
    _check_coded_units(items, data)
    size_px, turn = _read_properties(items, primary)
    return Container(
        "HEIC",
        size_px,
        exif=_read_exif(items, data),
        xmp=_read_xmp(items, data),
        turn=turn,
    )


def _boxes(data: bytes, limits: Limits) -> Iterator[tuple[bytes, bytes]]:
    """Give each box's type and payload, checking its length against what is there."""
    at = 0
    for _ in range(limits.parts):
        if at == len(data):
            return
        if at + 8 > len(data):
            raise cut_short("it stops within a box header")
        length, kind, head = int.from_bytes(data[at : at + 4], "big"), data[at + 4 : at + 8], 8
        if length == 1:
            length, head = int.from_bytes(data[at + 8 : at + 16], "big"), 16
        elif length == 0:
            length = len(data) - at
        if at + length > len(data):
            raise cut_short(f"{at + length - len(data)} of its bytes are missing")
        if length < head:
            raise damaged(f"the box at byte {at} has no length")
        # The picture data themselves are not copied.
        yield kind, b"" if kind == b"mdat" else data[at + head : at + length]
        at += length
    raise damaged(f"it has more than {limits.parts} boxes")


def _check_brand(payload: bytes) -> None:
    """Refuse sequences; `sniff` has seen to it that some still brand is named."""
    if payload[:4] in SEQUENCE_BRANDS:
        raise not_taken("this is a sequence of pictures")


def _read_meta(meta: bytes, limits: Limits) -> Items:
    """Collect items, places and properties from the meta box."""
    items = Items()
    for kind, payload in _boxes(meta[4:], limits):
        fields = Fields(payload)
        match kind:
            case b"pitm":
                items.primary = _after_version(fields, 2, 4, wide_from=1)
            case b"iinf":
                _read_item_infos(fields, items, limits)
            case b"iloc":
                _read_locations(fields, items)
            case b"iref":
                _read_references(fields, items, limits)
            case b"idat":
                items.inner = payload
            case b"iprp":
                _read_property_boxes(payload, items, limits)
    return items


def _after_version(fields: Fields, narrow: int, wide: int, *, wide_from: int) -> int:
    """Read version and flags, then a number whose size depends on the version."""
    version = fields.number(1)
    fields.take(3)
    return fields.number(wide if version >= wide_from else narrow)


def _bounded(count: int) -> int:
    """Refuse counts no photo has."""
    if count > MAX_ITEMS:
        raise InputError(
            f"the file claims {count} items, a photo has at most {MAX_ITEMS}", cure=EXPORT_JPEG
        )
    return count


def _read_item_infos(fields: Fields, items: Items, limits: Limits) -> None:
    _bounded(_after_version(fields, 2, 4, wide_from=1))
    for kind, payload in _boxes(fields.data[fields.at :], limits):
        if kind == b"infe":
            entry = Fields(payload)
            version = entry.number(1)
            entry.take(3)
            if version < 2:
                raise damaged("an item is described in an outdated way")
            identity = entry.number(4 if version > 2 else 2)
            entry.take(2)
            items.kinds[identity] = entry.take(4)
            _bounded(len(items.kinds))


def _read_locations(fields: Fields, items: Items) -> None:
    version = fields.number(1)
    fields.take(3)
    sizes = fields.number(2)
    offset_size, length_size, base_size = sizes >> 12, sizes >> 8 & 15, sizes >> 4 & 15
    index_size = sizes & 15 if version in (1, 2) else 0
    for _ in range(_bounded(fields.number(4 if version == 2 else 2))):
        identity = fields.number(4 if version == 2 else 2)
        method = fields.number(2) & 15 if version in (1, 2) else 0
        fields.take(2)
        base = fields.number(base_size)
        extents = items.extents.setdefault(identity, [])
        for _ in range(_bounded(fields.number(2))):
            fields.take(index_size)
            offset = fields.number(offset_size)
            extents.append((method, base + offset, fields.number(length_size)))


def _read_references(fields: Fields, items: Items, limits: Limits) -> None:
    version = fields.number(1)
    fields.take(3)
    size = 4 if version else 2
    for kind, payload in _boxes(fields.data[fields.at :], limits):
        entry = Fields(payload)
        source = entry.number(size)
        targets = [entry.number(size) for _ in range(_bounded(entry.number(2)))]
        if kind == b"dimg":
            items.tiles[source] = targets


def _read_property_boxes(payload: bytes, items: Items, limits: Limits) -> None:
    for kind, content in _boxes(payload, limits):
        if kind == b"ipco":
            items.properties += list(_boxes(content, limits))
            _bounded(len(items.properties))
        elif kind == b"ipma":
            fields = Fields(content)
            version = fields.number(1)
            wide = fields.number(3) & 1
            for _ in range(_bounded(fields.number(4))):
                owner = fields.number(4 if version else 2)
                owned = items.owned.setdefault(owner, [])
                for _ in range(fields.number(1)):
                    owned.append(fields.number(2) & 0x7FFF if wide else fields.number(1) & 0x7F)


def _check_picture(items: Items, primary: int) -> None:
    """Allow one HEVC picture or a grid of them; no overlays, derived pictures, other codecs."""
    tiles = items.tiles.get(primary, [])
    parts = {items.kinds.get(tile, b"") for tile in tiles}
    kind = items.kinds[primary]
    if kind == b"av01" or b"av01" in parts:
        raise not_taken("this is an AVIF picture")
    if kind == b"hvc1" or (kind == b"grid" and parts == {b"hvc1"}):
        return
    raise InputError(
        "its main picture is put together in a way that cameras don't use", cure=EXPORT_JPEG
    )


def _check_extents(items: Items, file_length: int) -> None:
    """Every item's bytes must be there, whatever the item is."""
    for identity, kind in items.kinds.items():
        if kind in (b"hvc1", b"grid") and identity not in items.extents:
            raise damaged(f"item {identity} has no place in the file")
        for method, offset, length in items.extents.get(identity, []):
            available = {0: file_length, 1: len(items.inner)}.get(method)
            if available is None:
                raise InputError("its pictures are stored in an unusual way", cure=EXPORT_JPEG)
            if offset + length > available:
                raise cut_short(f"{offset + length - available} bytes of its picture are missing")


def _check_coded_units(items: Items, data: bytes) -> None:
    """Walk the coded units of every picture; an interrupted copy leaves zeros in their place.

    Each unit is preceded by its length, and its last byte is never 0 (ITU-T H.265, 7.4.2).
    """
    for identity, kind in items.kinds.items():
        if kind != b"hvc1":
            continue
        prefix = _unit_prefix(items, identity)
        coded = _item_bytes(items, data, identity)
        at = 0
        while at < len(coded):
            unit = int.from_bytes(coded[at : at + prefix], "big")
            at += prefix + unit
            if unit == 0 or at > len(coded) or coded[at - 1] == 0:
                raise damaged(f"picture data of item {identity} are missing")


def _unit_prefix(items: Items, identity: int) -> int:
    """Bytes that each coded unit's length takes, from the decoder configuration (hvcC)."""
    for index in items.owned.get(identity, []):
        if 0 < index <= len(items.properties):
            kind, payload = items.properties[index - 1]
            if kind == b"hvcC" and len(payload) > 21:
                return (payload[21] & 3) + 1
    raise damaged(f"item {identity} does not say how it is coded")


def _read_properties(items: Items, primary: int) -> tuple[tuple[int, int], int | None]:
    """Read stored size and the container's own turning (None: it has none)."""
    size: tuple[int, int] | None = None
    turn: int | None = None
    for index in items.owned.get(primary, []):
        if not 0 < index <= len(items.properties):
            if index == 0:
                continue
            raise damaged(f"it refers to property {index}, which is not there")
        kind, payload = items.properties[index - 1]
        match kind:
            case b"ispe" if len(payload) >= 12:
                size = int.from_bytes(payload[4:8], "big"), int.from_bytes(payload[8:12], "big")
            case b"irot" if payload:
                turn = compose_turns(turn or 1, ROTATIONS[payload[0] & 3])
            case b"imir" if payload:
                turn = compose_turns(turn or 1, MIRRORS[payload[0] & 1])
            case b"clap" if len(payload) >= 16:
                size = _read_cut_out(payload)
    if size is None or 0 in size:
        raise damaged("it does not say how large its main picture is")
    return size, turn


def _read_cut_out(payload: bytes) -> tuple[int, int]:
    """Size of the part that is shown (clean aperture); the decoder cuts it out by itself."""
    fields = Fields(payload)
    width, width_part, height, height_part = (fields.number(4) for _ in range(4))
    if width_part == 0 or height_part == 0:
        raise damaged("the part of the picture to be shown has no size")
    return round(width / width_part), round(height / height_part)


def _item_bytes(items: Items, data: bytes, identity: int) -> bytes:
    """Bytes of an item that `_check_extents` has found to be there."""
    return b"".join(
        (items.inner if method else data)[offset : offset + length]
        for method, offset, length in items.extents.get(identity, [])
    )


def _read_exif(items: Items, data: bytes) -> bytes | None:
    """Give the Exif block from its TIFF header on, or None."""
    for identity, kind in items.kinds.items():
        if kind == b"Exif":
            block = _item_bytes(items, data, identity)
            # Four bytes say how much precedes the TIFF header; writers disagree on what counts.
            for start in (4 + int.from_bytes(block[:4], "big"), 4, 10):
                if block[start : start + 4] in (b"II*\x00", b"MM\x00*"):
                    return block[start : start + MAX_EXIF_BYTES]
            return b""
    return None


def _read_xmp(items: Items, data: bytes) -> bytes:
    """Give the XMP packet, or nothing."""
    for identity, kind in items.kinds.items():
        if kind == b"mime":
            return _item_bytes(items, data, identity)[:MAX_EXIF_BYTES]
    return b""
