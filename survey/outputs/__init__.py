"""See docs/method.md."""
