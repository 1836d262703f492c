#pragma once
// Read by the compiler once for all units: headers in which no mutant can be.

#include <gtest/gtest.h>

#include <boost/container/static_vector.hpp>
#include <functional>
#include <map>

#include "drivers/instrument.h"
#include "drivers/order.h"
#include "drivers/quantity.h"
#include "drivers/reading.h"
#include "drivers/ring.h"
