"""The page: a local web app to record, watch, mark and review; offline, and on this computer alone unless asked."""
