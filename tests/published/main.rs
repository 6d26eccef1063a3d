//! Published figures, recomputed through the doors that the product uses.
