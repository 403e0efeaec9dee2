// Package colour is the colour science of pochoir: sRGB, linear light, OKLab, CIELAB and CIEDE2000, and the named
// colours of CSS. It imports nothing of the project.
package colour

// RGB is an sRGB colour, 8 bits a channel.
type RGB struct{ R, G, B uint8 }
