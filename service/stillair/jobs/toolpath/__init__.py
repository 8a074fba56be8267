"""What a toolpath builds and when: layers, times, figures, from a file of any origin.

    bytes -> lines -> words -> machine -> motion -> stages -> pieces
             whole    letters  moves      seconds   road at   layers
             lines    and                           one
                      numbers                       height

A file goes through in pieces of a megabyte, each as columns; only what is known of the
layers grows with it. Nothing is read from remarks: what is built follows from motion.
`analysis` does it all, and is imported by itself: who only shows layers needs none of it.
"""

from __future__ import annotations

from stillair.jobs.toolpath.grid import Outlines
from stillair.jobs.toolpath.layers import Layers, Toolpath, Whole
from stillair.jobs.toolpath.limits import Bounds, MotionLimits

__all__ = ["Bounds", "Layers", "MotionLimits", "Outlines", "Toolpath", "Whole"]
