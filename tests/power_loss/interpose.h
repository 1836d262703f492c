#pragma once

namespace chargewright::test {

class RecordedDisk;
// Of this program, or none. What the calls of tests/power_loss/interpose.cpp tell.
extern RecordedDisk* recorded_disk;

}  // namespace chargewright::test
