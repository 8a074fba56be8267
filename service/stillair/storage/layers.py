"""The layers of a toolpath as bytes; apart from `toolpaths`, so that who reads one needs no SQL."""

from __future__ import annotations

import io
import zipfile
import zlib
from dataclasses import fields

import numpy as np

from stillair.errors import StoreError
from stillair.jobs.toolpath import Layers, Outlines, Toolpath

GRID = ("cell_mm", "x_mm", "y_mm", "width", "height")


def packed(found: Toolpath) -> bytes:
    """Layers and outlines of a toolpath as bytes."""
    file = io.BytesIO()
    columns = {field.name: getattr(found.layers, field.name) for field in fields(Layers)}
    grid = np.array([getattr(found.outlines, name) for name in GRID], np.float64)
    bits = np.frombuffer(found.outlines.bits, np.uint8)
    np.savez_compressed(file, allow_pickle=False, grid=grid, bits=bits, **columns)
    return file.getvalue()


def unpacked(data: bytes) -> tuple[Layers, Outlines]:
    """What `packed` made them of. Raises `StoreError` where they are damaged."""
    try:
        with np.load(io.BytesIO(data), allow_pickle=False) as columns:
            layers = Layers(**{field.name: columns[field.name] for field in fields(Layers)})
            cell_mm, x_mm, y_mm, width, height = columns["grid"].tolist()
            bits = columns["bits"].tobytes()
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile, zlib.error) as error:
        raise StoreError(f"the layers of a toolpath are damaged: {error}") from None
    return layers, Outlines(cell_mm, x_mm, y_mm, int(width), int(height), bits)
