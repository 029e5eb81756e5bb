"""The local web app: record aloud, review, hand out. Everything stays on this machine."""
