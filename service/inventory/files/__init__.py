"""Range and history as files from and for a spreadsheet.

The eight CSV files are the way in and out for the maker's range and all trials: `load` takes a folder in, `dump` writes one.
What `dump` writes, `load` into an empty database and `dump` again write identically.
"""

from service.inventory.files.dumping import dump
from service.inventory.files.file_problems import FileProblem
from service.inventory.files.folders import Parsed, read_folder
from service.inventory.files.loading import Count, Report, load
from service.inventory.files.step_by_step import finish, take_in
from service.inventory.files.typed_rows import enter

__all__ = [
    "Count",
    "FileProblem",
    "Parsed",
    "Report",
    "dump",
    "enter",
    "finish",
    "load",
    "read_folder",
    "take_in",
]
