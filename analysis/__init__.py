"""Everything from a recording to a claim sheet; knows no wire."""
