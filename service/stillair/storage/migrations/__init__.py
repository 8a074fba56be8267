"""The versions of the tables in the journal and in the archive, oldest first."""

from pathlib import Path

from stillair.database import Versions

HERE = Path(__file__).parent
JOURNAL = Versions(HERE / "journal", "j0008")
ARCHIVE = Versions(HERE / "archive", "a0002")
