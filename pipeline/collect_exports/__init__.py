"""An inbox of exports: what is new or changed in it, and bringing that into a ledger, each content once."""
