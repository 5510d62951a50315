"""Tells copies from follow-ups, and one vehicle told twice from two vehicles."""
