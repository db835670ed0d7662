"""The plan: what is agreed before the works, what the meter can show, what departed from it."""
