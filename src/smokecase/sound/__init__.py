"""Listening: what the sound of a start and an idle tells; `listening.listen` is the way in."""
