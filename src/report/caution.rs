//! The caution that goes with every answer that sends somebody to sand, fill or knock metal: the same words everywhere.
//!
//! Common practice, no source; the maker's sheet rules.

/// Filler, its dust, old paint, and metal that holds the car together.
pub const CAUTION: &str = "Mind: wear a fitting dust mask and use extraction, or sand wet where the maker allows it; old paint may hold lead. Filler gives off styrene and its hardener is a peroxide: air the room, wear gloves, keep to the maker's data sheet. Structural metal is work for a licensed body shop.";

/// Dust alone, where nothing else is put on or struck.
pub const DUST: &str = "Dust of filler, primer and old paint (it may hold lead) into an extractor and a mask; the maker's sheet rules for every product.";
