"""Takes a kept run back: its responses, its rows as they were read, and which of them a change can touch."""
