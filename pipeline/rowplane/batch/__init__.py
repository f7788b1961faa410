"""Many roofs: what is to be done, done on as many workers as there are, what came of it.

tasks     LEADS (folder, manifest, URL of either) → one task per lead
work      one task, on whichever machine: fetch, run or skip, hand in, one outcome back
limit     the time limit of a lead
engine    where tasks run: in this process, on a cluster of its own, on an existing one
ledger    the lock on the output folder and runs.jsonl
triage    result.json → ready, site-check, not-suitable, with the reason in a sentence
summary   all outcomes → summary.csv, .xlsx, .html
night     the whole of it, in order
places    local paths and URLs as one thing
"""

from rowplane.batch.night import BatchReport, plan_batch, run_batch

__all__ = ["BatchReport", "plan_batch", "run_batch"]
