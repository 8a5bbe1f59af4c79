"""Measured and Failed -> one document for machines, tables and sentences for people."""

from tracker.report.csv_path import path_csv
from tracker.report.document import as_json, document
from tracker.report.table import result_table, result_text
from tracker.report.words import headline, trust

__all__ = ["as_json", "document", "headline", "path_csv", "result_table", "result_text", "trust"]
