//! What libFuzzer calls, over and over; the target is the one of the binary's name.

#![no_main]

mod targets;

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let mut targets = targets::TARGETS.iter();
    let (_, target) =
        targets.find(|(name, _)| *name == env!("CARGO_BIN_NAME")).expect("a target of that name");
    target(data);
});
