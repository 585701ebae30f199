"""A recording as a Python program or a notebook sees it: frames, findings that show themselves, figures."""
