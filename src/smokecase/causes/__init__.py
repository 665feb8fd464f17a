"""From findings to weighted causes, the next check and a verdict."""
