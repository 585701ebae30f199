"""Many recordings: listed by an index that can be thrown away, screened again, their findings in one table."""
