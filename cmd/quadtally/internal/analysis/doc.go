// Package analysis turns what the record holds, or a table from anywhere, into
// numbers that are compared: it knows every response (registry), collects its
// readings from a snapshot, and asks stats and calibrate. The commands, the
// report and the export all come here, so that they cannot differ.
//
// Inside, a reading is kept as it was taken: cover as a fraction of the ground,
// plants and pieces as counted with the ground or bed they were counted on,
// weights in kilograms per metre of bed. [Response.Shown] is the one place
// where a reading becomes a number in the unit that people read (percent,
// plants per m², kg/ha or lb/acre); stats is asked in that unit, so that every
// number of its answer can be printed as it stands.
package analysis
