"""The page: a local web page over cases, clips and causes, and the door it is served through."""
