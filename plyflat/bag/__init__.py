"""The bag stack: layers, margins, slack."""
