"""The two commands that need Prefect (extra `flows`); what they import stays inside their functions."""
