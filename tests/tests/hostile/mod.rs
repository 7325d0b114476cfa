//! Seeded attacks, of which CI tries a part and `scripts/hostile` the whole.

mod damage; // a store whose files were damaged: nothing wrong is ever read from it
