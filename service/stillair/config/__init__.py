"""The chamber file: TOML in, frozen and checked settings out, or every fault in one go."""

from stillair.config.reading import default_chamber, load_chamber, load_chambers
from stillair.config.settings import ChamberSettings

__all__ = ["ChamberSettings", "default_chamber", "load_chamber", "load_chambers"]
