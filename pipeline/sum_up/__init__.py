"""The figures that a thread is quoted for, worked out in one place for comparison, release, report and gates."""
