"""The bench's screen: a local web app for phone, tablet and desktop. Pages and clicks; no computation."""
