"""From pictures of one scene to readings of its smoke."""
