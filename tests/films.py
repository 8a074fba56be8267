"""A film that a test reads for itself."""

from __future__ import annotations

import os
from pathlib import Path
from unittest import mock

import cv2

from stillair.media import clips


def opened_film(path: str | Path) -> cv2.VideoCapture:
    """A video file, opened as the program that makes films may: by a service's options none is."""
    with mock.patch.dict(os.environ, clips.ENVIRONMENT):
        return cv2.VideoCapture(str(path), cv2.CAP_FFMPEG)
