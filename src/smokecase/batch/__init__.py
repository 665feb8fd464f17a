"""Many clips, one table: on this machine's cores or on many machines."""
