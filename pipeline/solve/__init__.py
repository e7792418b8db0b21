"""Finds the steps that arrange chips into a finished ROM file, from the bytes of both; pure."""
