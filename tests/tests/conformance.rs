//! One suite over the simulated and, with the feature `jack`, the real adapters.

use model::document::read_rig;
use model::pitch::PitchStandard;
use model::record::PositionId;
use sender::{Sender, Sink};
use simulator::Bench;
use tests::conformance;
use tests::program::repository;

#[test]
fn the_simulated_bench_conforms() {
    let bytes = std::fs::read(repository().join("rigs/simulated.yaml")).unwrap();
    let rig = read_rig("simulated.yaml", &bytes).unwrap().value;
    let bench = Bench::new(&rig).unwrap();
    let positions: Vec<PositionId> = rig
        .positions
        .keys()
        .map(|name| PositionId::new(name))
        .collect();
    let clock = bench.clock();
    conformance::clock(&*clock).unwrap();
    conformance::capture(&mut *bench.capture(), &*clock, &positions).unwrap();
    let sink = Sink::Wire {
        wire: Box::new(bench.wire("keys").unwrap()),
        bend_range: bench.bend_range("keys"),
    };
    let sinks = [("keys".to_owned(), sink)].into();
    let mut sender = Sender::new(
        &rig.positions,
        sinks,
        PitchStandard::default(),
        bench.clock(),
    )
    .unwrap();
    conformance::notes(&mut sender, &*clock, &positions).unwrap();
}
