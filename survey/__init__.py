"""Measures roof planes from photos with a printed target, level readings and tapes."""
