"""The offline summary page and its pictures."""
