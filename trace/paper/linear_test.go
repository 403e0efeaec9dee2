package paper

import (
	"testing"

	"pochoir/quantize/colour"
)

// TestToByte holds every step of the table from light to levels against the curve itself.
func TestToByte(t *testing.T) {
	for i, got := range toByte {
		if want := colour.Byte(colour.FromLinear(float64(i) / inverseSteps)); got != want {
			t.Fatalf("step %d: level %d, want %d", i, got, want)
		}
	}
}
