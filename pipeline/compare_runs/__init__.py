"""Sets two runs side by side: which values came, went and changed, by which rules, and what that does to figures."""
