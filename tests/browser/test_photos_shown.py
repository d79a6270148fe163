"""Photos of the journal in a real browser: seen within its policy, red by red light, on a sheet too."""

import io
from pathlib import Path

from PIL import Image
from selenium import webdriver
from selenium.webdriver.common.by import By

from histories import estimate, open_store, put
from lugwatch.model import JournalEntry, JournalKind
from lugwatch.photo_file import read_picture
from lugwatch.store.photos import put_entry_with_photos
from pages import Served

WIDTHS = (
    "return [...document.images].map((i) => [i.complete && i.naturalWidth, i.getBoundingClientRect().right])"
)


def test_photos_are_seen_and_red_by_red_light(tmp_path: Path, browser: webdriver.Chrome) -> None:
    Image.new("RGB", (2000, 900), "white").save(tmp_path / "a.jpg")
    database = tmp_path / "lugwatch.db"
    with open_store(database) as store:
        put(store, [estimate()])
    entry = JournalEntry(entry_id=0, joint="bar", time=1, kind=JournalKind.NOTE, note="white", who="crew")
    put_entry_with_photos(database, entry, [read_picture(tmp_path / "a.jpg")])
    with Served(tmp_path) as page:
        for path in ("joints/bar/sheet", "journal"):
            browser.get(page.url + path)
            browser.execute_script("document.images[0].scrollIntoView()")
            browser.execute_async_script("document.images[0].decode().then(arguments[0])")
            ((natural, right),) = browser.execute_script(WIDTHS)
            assert natural == 1600 and right <= browser.execute_script("return innerWidth"), path
        browser.execute_script("document.documentElement.dataset.look = 'red'")
        seen = Image.open(io.BytesIO(browser.find_element(By.TAG_NAME, "img").screenshot_as_png))
        red, green, blue = (high for _, high in seen.convert("RGB").getextrema())  # type: ignore[misc]
        assert red > 100 and green <= 90 and blue <= 60
