"""Recordings simulated from physics."""
