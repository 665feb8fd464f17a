"""Files with pictures and sound, in and out."""
