"""What a person decided about readings: kept in the ledger, applied to every run, asked for in a spreadsheet."""
