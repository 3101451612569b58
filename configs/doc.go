// Package configs reads and judges the site file.
//
// The file's types are composed of each room's own settings, so that a setting
// lives beside the code that it sets. [Load] reads strictly and reports every
// mistake at once, each with its line and column, what was found and what to
// write instead. Nothing here runs anything.
package configs
