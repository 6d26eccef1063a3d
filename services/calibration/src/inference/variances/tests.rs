//! Proofs of the learning: published estimates come back, and so do components that a network was drawn
//! from.

mod published;
mod recovery;
