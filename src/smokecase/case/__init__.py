"""The record of one engine over weeks."""
