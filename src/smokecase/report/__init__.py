"""What is shown and handed on."""
