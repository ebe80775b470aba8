"""The pages in a real browser; skipped with a reason where there is none."""
