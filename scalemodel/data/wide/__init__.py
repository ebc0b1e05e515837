"""Results as people keep them: cards down or across, charts the other way."""
