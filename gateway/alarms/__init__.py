"""Alarms: pure rules, life cycle and plans of who is told; time is an argument."""
