"""Subscriptions to stored answers: R4 rest-hook, and the R4 backport of topics; an outbox, and its delivery."""
