"""What leaves the barn, and what comes in over networks."""
