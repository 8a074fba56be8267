"""The watch of one chamber: every stimulus in, all that follows out."""

from stillair.watch.core import GAP_S, Watch
from stillair.watch.plan import AttendanceView, ContactPlan, WatchPlan, WatchView

__all__ = ["GAP_S", "AttendanceView", "ContactPlan", "Watch", "WatchPlan", "WatchView"]
