//! Names at the ends of lines make room for each other.

/// Moves wanted places apart so that neighbours keep `apart`, none leaves
/// `top..bottom`, and the sum of squared moves is smallest: neighbours in each
/// other's way form blocks, and a block sits at the mean of what its members want
/// (isotonic regression by pooling adjacent violators; Barlow and others 1972,
/// from memory). The order of equal wishes is kept. When there is not enough
/// room, they stand as far apart as the room allows.
pub(crate) fn spread(wanted: &[f64], apart: f64, top: f64, bottom: f64) -> Vec<f64> {
    let count = wanted.len();
    if count == 0 {
        return Vec::new();
    }
    let apart = if count > 1 {
        apart.min((bottom - top) / (count - 1) as f64)
    } else {
        apart
    };
    let mut order: Vec<usize> = (0..count).collect();
    order.sort_by(|a, b| wanted[*a].total_cmp(&wanted[*b]));
    // With the distances taken out, the places only have to be in order.
    let mut blocks: Vec<(f64, usize)> = Vec::new();
    for (rank, index) in order.iter().enumerate() {
        let mut block = (wanted[*index] - rank as f64 * apart, 1);
        while let Some((mean, size)) = blocks.last().copied()
            && mean > block.0
        {
            blocks.pop();
            let all = size + block.1;
            block = (
                (mean * size as f64 + block.0 * block.1 as f64) / all as f64,
                all,
            );
        }
        blocks.push(block);
    }
    let highest = bottom - (count - 1) as f64 * apart;
    let mut placed = vec![0.0; count];
    let mut rank = 0;
    for (mean, size) in blocks {
        for _ in 0..size {
            placed[order[rank]] = mean.clamp(top, highest.max(top)) + rank as f64 * apart;
            rank += 1;
        }
    }
    placed
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn neighbours_keep_their_distance() {
        let placed = spread(&[50.0, 51.0, 52.0, 120.0, 119.0], 14.0, 0.0, 130.0);
        let mut sorted = placed.clone();
        sorted.sort_by(f64::total_cmp);
        assert!(sorted.windows(2).all(|pair| pair[1] - pair[0] > 13.999));
        assert!(sorted[0] >= 0.0 && sorted[4] <= 130.0);
        // In the order of the wishes, and the middle one of a crowd stays put.
        assert!(placed[0] < placed[1] && placed[1] < placed[2]);
        assert!((placed[1] - 51.0).abs() < 1e-9);
        assert!(placed[4] < placed[3]);
    }

    #[test]
    fn far_apart_ones_stay() {
        assert_eq!(spread(&[90.0, 10.0], 14.0, 0.0, 100.0), [90.0, 10.0]);
        assert!(spread(&[], 14.0, 0.0, 100.0).is_empty());
    }

    #[test]
    fn a_crowd_shares_the_room() {
        let placed = spread(&[5.0; 11], 14.0, 0.0, 100.0);
        assert_eq!(placed.first(), Some(&0.0));
        assert!((placed[10] - 100.0).abs() < 1e-9);
    }
}
