//! Which partition a site belongs to, and the hash that says so. It is part of the format of stores: never change it.

/// The partition of `site` among `partitions` (at least 1): FNV-1a of its id.
pub fn partition_of(site: &str, partitions: u32) -> u32 {
    let hash = site.bytes().fold(0x811c_9dc5_u32, |hash, byte| (hash ^ u32::from(byte)).wrapping_mul(0x0100_0193));
    hash % partitions.max(1)
}

/// FNV-1a, 64 bits, of the parts one after the other, each followed by a byte that ends it.
pub(super) fn hash64(parts: &[&[u8]]) -> u64 {
    let step = |hash: u64, byte: u8| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3);
    parts.iter().fold(0xcbf2_9ce4_8422_2325, |hash, part| {
        let hash = part.iter().fold(hash, |hash, byte| step(hash, *byte));
        step(hash, 0xff)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sites_keep_their_partition_for_ever() {
        // FNV-1a 32 of "", "a" and "foobar": 811c9dc5, e40c292c, bf9cf968 (test values of draft-eastlake-fnv).
        assert_eq!(partition_of("", u32::MAX), 0x811c_9dc5);
        assert_eq!(partition_of("a", u32::MAX), 0xe40c_292c);
        assert_eq!(partition_of("foobar", u32::MAX), 0xbf9c_f968);
        assert_eq!(partition_of("foobar", 1), 0);
        assert_eq!(partition_of("foobar", 0), 0, "no partitions are one");
    }

    #[test]
    fn parts_that_join_to_the_same_bytes_hash_apart() {
        assert_eq!(hash64(&[b"ab", b"c"]), hash64(&[b"ab", b"c"]));
        assert_ne!(hash64(&[b"ab", b"c"]), hash64(&[b"a", b"bc"]));
        assert_ne!(hash64(&[b"ab"]), hash64(&[b"ab", b""]));
    }
}
