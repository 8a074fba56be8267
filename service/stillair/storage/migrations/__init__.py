"""The versions of the tables in the journal and in the archive, oldest first."""

from pathlib import Path

from stillair.database import Versions
from stillair.storage.tables import ArchiveTable, JournalTable

HERE = Path(__file__).parent
JOURNAL = Versions(HERE / "journal", "j0008", JournalTable.metadata)
ARCHIVE = Versions(HERE / "archive", "a0001", ArchiveTable.metadata)
