"""Device drivers. They know gateway.ports, gateway.model and gateway.errors only."""
