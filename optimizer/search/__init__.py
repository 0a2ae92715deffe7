"""The best K builds, and the evidence that none is missed."""
