"""The versions of the tables in the journal, in the archive and in a hall, oldest first."""

from pathlib import Path

from stillair.database import Versions
from stillair.storage.tables import ArchiveTable, JournalTable

HERE = Path(__file__).parent
# What happens touches a dozen places of the file: 49 kB each time in pages of 4096, 23 in these.
JOURNAL = Versions(HERE / "journal", "j0008", JournalTable.metadata, page_bytes=1024)
ARCHIVE = Versions(HERE / "archive", "a0002", ArchiveTable.metadata)
HALL = Versions(HERE / "hall", "h0002")
