"""Many photos: any executor, results in input order, memory flat, no photo stops the others."""

from legibility.batch.executors import Workers, open_workers
from legibility.batch.file_reader import FileReader, file_reader
from legibility.batch.lines import JsonLines, finished_photos, open_lines
from legibility.batch.ordered import failed_result, run
from legibility.batch.results import Results, open_results, without_details
from legibility.batch.single import CheckedPhoto, EnhancedPhoto, check_files, enhance_files
from legibility.workers import InlineExecutor

__all__ = [
    "CheckedPhoto",
    "EnhancedPhoto",
    "FileReader",
    "InlineExecutor",
    "JsonLines",
    "Results",
    "Workers",
    "check_files",
    "enhance_files",
    "failed_result",
    "file_reader",
    "finished_photos",
    "open_lines",
    "open_results",
    "open_workers",
    "run",
    "without_details",
]
