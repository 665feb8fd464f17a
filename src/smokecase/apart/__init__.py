"""Work on files that nobody vouches for, in a process of its own with limits."""
