"""Many recordings: judged again, checked, added up."""

from recorder.audit.jobs import Job, Jobs, jobs_table
from recorder.audit.row import AuditRow, audit_bytes
from recorder.audit.run import audit_files, audit_folder, find_ledgers, find_recordings
from recorder.audit.totals import Totals
from recorder.audit.trend import Drift

__all__ = [
    "AuditRow",
    "Drift",
    "Job",
    "Jobs",
    "Totals",
    "audit_bytes",
    "audit_files",
    "audit_folder",
    "find_ledgers",
    "find_recordings",
    "jobs_table",
]
