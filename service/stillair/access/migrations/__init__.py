"""The versions of the tables of people, oldest first."""

from pathlib import Path

from stillair.database import Versions

PEOPLE = Versions(Path(__file__).parent / "people", "p0003")
