// Package early moves the program to large pages of memory before the other packages are made ready, which takes hundreds of
// small ones: a fifth of the time from the start of the program to its main function.
//
// Go makes packages ready in order of their paths, each as soon as what it imports is ready (The Go Programming Language
// Specification, "Program initialization"). This one imports so little that it comes before all that import time, os or fmt.
package early

import "pochoir/quantize/large"

func init() { large.Begin() }
