package books_test

import (
	"fmt"

	"yardtally/meter/books"
)

// Money is in whole millionths, so that a third of a price and the rest of it are the price.
func ExampleMoneyOf() {
	price := books.MoneyOf(26.50)
	third := price / 3
	fmt.Println(third+(price-third) == price, price.Float())
	// Output:
	// true 26.5
}
