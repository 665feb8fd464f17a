"""Invented clips and sounds with known truth; shares no code with what measures."""
