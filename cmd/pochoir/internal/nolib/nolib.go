// Package purego stands in for the loader of system libraries that the HEIC decoder would use where it finds one. It
// finds none, so the decoder takes its own WebAssembly module, on every machine the same, and the program stays one
// static file. The main module's go.mod puts it in the loader's place.
package purego

import "errors"

// Modes of Dlopen; none has an effect.
const (
	RTLD_NOW    = 0
	RTLD_GLOBAL = 0
)

var errNone = errors.New("system libraries are not used")

// Dlopen always fails.
func Dlopen(path string, mode int) (uintptr, error) { return 0, errNone }

// RegisterLibFunc panics: there is no library whose function it could be. The decoder takes that for a library that
// cannot be used.
func RegisterLibFunc(fptr any, handle uintptr, name string) { panic(errNone) }
