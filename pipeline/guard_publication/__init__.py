"""What must hold before anything is published unattended; and what was published last."""
