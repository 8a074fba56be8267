"""The HTTP side: who may ask, in which form, and what is answered."""
