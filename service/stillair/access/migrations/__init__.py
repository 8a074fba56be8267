"""The versions of the tables of people, oldest first."""

from pathlib import Path

from stillair.access.tables import PeopleTable
from stillair.database import Versions

PEOPLE = Versions(Path(__file__).parent / "people", "p0003", PeopleTable.metadata)
