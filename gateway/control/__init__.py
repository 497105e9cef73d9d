"""Control: pure decisions; time is an argument."""
