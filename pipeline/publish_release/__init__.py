"""An anonymised, documented release of a ledger, its checks, and the removal of a person from a ledger."""
