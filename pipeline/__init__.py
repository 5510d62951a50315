"""crowdfade's library: exported responses about electric vehicles' batteries in, a tidy traceable dataset out.

The stages, in the order in which the data pass them (each is a package of this name):

    read_exports    files, folders, URLs      -> Response
    read_text       a response's text         -> typed quantities, clauses, scopes
    find_values     quantities in context     -> FoundValue, Refusal
    group_reports   values                    -> Report (one vehicle each)
    join_copies     responses and reports     -> copies, follow-ups, conflicts
    check_reports   reports                   -> findings, usable or not, confidence
    keep_ledger     all of it                 -> Parquet tables, put in place in one atomic step

Importing `pipeline` imports none of them; nothing here imports Prefect.
"""

__version__ = "0.1.0"
