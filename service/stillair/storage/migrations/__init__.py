"""The versions of the tables in the journal, in the archive and in a hall, oldest first."""

from pathlib import Path

from stillair.database import Versions

HERE = Path(__file__).parent
JOURNAL = Versions(HERE / "journal", "j0008")
ARCHIVE = Versions(HERE / "archive", "a0002")
HALL = Versions(HERE / "hall", "h0001")
