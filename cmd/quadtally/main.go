// Command quadtally takes a replicated field trial from bare field to report:
// layout, quadrat photos, hand counts, yields and their comparison.
package main

import "os"

func main() { os.Exit(run(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) }
