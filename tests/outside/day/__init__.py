"""A laboratory's day: see `day.py` beside this folder."""
