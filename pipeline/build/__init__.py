"""The stages of a build, from manifests to sheet: each can say why it must run, and runs."""
