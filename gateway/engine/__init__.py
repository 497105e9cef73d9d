"""The engine: clock, buses, the step and its loop, the link."""
