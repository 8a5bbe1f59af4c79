"""Settings, measured launches -> designed against measured, and where the wheel's speed goes."""
