"""The outside door: what other programs may ask for, in the same words and through the same verbs as the pages."""
