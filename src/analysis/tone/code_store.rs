//! Where the codes of the moments are kept that the networks have made of a pitch's features: a
//! moment is read from many later ones, but encoded once.

use std::num::NonZeroU32;

use super::ensemble::Ensemble;
use super::features::FEATURES;
use super::network::Code;

/// Where the codes of an offset lie in the grid's [`CodeStore`].
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    /// Counted from one, so that an `Option<Place>` is as small.
    number: NonZeroU32,
}

impl Place {
    fn new(index: usize) -> Place {
        let number = u32::try_from(index + 1).ok().and_then(NonZeroU32::new);
        Place {
            number: number.expect("the codes of a few moments"),
        }
    }

    fn index(self) -> usize {
        self.number.get() as usize - 1
    }
}

/// The codes of all moments. They lie together, for how many a moment has differs much, and
/// how many all have differs little. There is room for
/// [`most_codes`](super::Layout::most_codes) from the beginning: some 30 MB of addresses, of which
/// the system fills with memory what is used.
#[derive(Debug, Clone, Default)]
pub(super) struct CodeStore {
    pub(super) codes: Vec<Code>,
    /// Places that are free; a place has a code for each network.
    pub(super) free: Vec<Place>,
}

impl CodeStore {
    /// Store with room for so many places, each with a code for each of `networks`.
    pub(super) fn new(places: usize, networks: &Ensemble) -> Self {
        CodeStore {
            codes: Vec::with_capacity(places * networks.len()),
            free: Vec::with_capacity(places),
        }
    }

    /// Adds the codes of an offset. Returns their place.
    pub(super) fn add(
        &mut self,
        networks: &Ensemble,
        features: impl FnOnce() -> [f32; FEATURES],
    ) -> Place {
        let each = networks.len();
        let place = self.free.pop().unwrap_or_else(|| {
            self.codes.extend(std::iter::repeat_n(Code::NONE, each));
            Place::new(self.codes.len() / each - 1)
        });
        let from = place.index() * each;
        networks.encode(features, &mut self.codes[from..from + each]);
        place
    }

    /// The codes at a place.
    pub(super) fn at(&self, networks: &Ensemble, place: Place) -> &[Code] {
        let each = networks.len();
        &self.codes[place.index() * each..][..each]
    }
}
