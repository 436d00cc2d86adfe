package gpio_test

import (
	"fmt"

	"yardtally/ingest/gpio"
)

func ExampleCheckChip() {
	fmt.Println(gpio.CheckChip("gpiochip0"))
	fmt.Println(gpio.CheckChip("../mem"))
	// Output:
	// <nil>
	// chip: must be a GPIO chip's name in /dev, like "gpiochip0", is "../mem"
}
