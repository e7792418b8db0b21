"""The stages of a build: each says why it must run, and runs. Effects of the flow live here; no engine is known."""
