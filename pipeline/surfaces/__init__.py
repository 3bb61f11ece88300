"""Boat speed per sail set, with intervals."""
