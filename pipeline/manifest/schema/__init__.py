"""Manifests held against their JSON Schemas, and what is said where they do not fit."""
