"""What each part of the page shows: plain functions from records to markup, no server in them."""
