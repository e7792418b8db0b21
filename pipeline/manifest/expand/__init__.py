"""Titles with ``layout`` or ``like`` written out in full, before anything judges them."""
