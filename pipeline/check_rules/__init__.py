"""Tries a rule pack: its tests, rules that never win, words that two rules want, patterns that can stall a build."""
