"""Tests of all layers; `support/` holds what several of them need."""
